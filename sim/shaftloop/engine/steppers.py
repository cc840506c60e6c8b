"""One substep of the plant: the exponential stepper and the reference stepper.

Both take the same tables and the vector z at the start of the substep, and leave z at its middle, so that
meters, peaks and guards do not know which one ran.

`etd4_step` is the exponential Runge-Kutta method of order 4 of Krogstad: the linear part is integrated
exactly, the nonlinear terms with stages at the middle (twice) and the end. Its matrices are made by
`engine.matrices`. `rk4_step` is the classical method on the same right-hand side.

References
----------
.. [1] S. Krogstad, "Generalized integrating factor methods for stiff PDEs", Journal of Computational
   Physics 203 (2005) 72-88; coefficients as in M. Hochbruck, A. Ostermann, "Explicit exponential
   Runge-Kutta methods for semilinear parabolic problems", SIAM J. Numer. Anal. 43 (2005), eq. (5.8).
   From memory; the order is tested.
"""

from shaftloop.engine import at
from shaftloop.engine.cache import helper
from shaftloop.engine.products import add_product, padded
from shaftloop.engine.terms import evaluate_terms
from shaftloop.engine.types import Floats, Ints

__all__ = ["etd4_step", "rk4_step", "set_signals"]


@helper
def set_signals(it: Ints, ft: Floats, s: Floats, w: Floats, z: int) -> None:
    """Fill the z vector at `z` from the state: signals, held inputs and outputs."""
    n, r, rows, stage = it[at.N], it[at.R], padded(it[at.R]), it[at.STAGE]
    for i in range(rows):
        w[stage + i] = 0.0
    add_product(ft, it[at.SIGNAL], rows, s, 0, n, w, stage)
    _copy(w, stage, w, z + 1, r)
    _copy(s, n, w, z + 1 + r, it[at.M])
    evaluate_terms(it, ft, w, z)


@helper
def _copy(source: Floats, first: int, target: Floats, place: int, count: int) -> None:
    for i in range(count):
        target[place + i] = source[first + i]


@helper
def etd4_step(it: Ints, ft: Floats, s: Floats, w: Floats, gap: int) -> None:
    """Advance the plant states by one substep of a gap, from z at `at.Z0`; fill z at `at.ZM`."""
    n, m, q, r, rt = it[at.N], it[at.M], it[at.Q], it[at.R], it[at.RT]
    z0, za, zm, zc = it[at.Z0], it[at.ZA], it[at.ZM], it[at.ZC]
    stage, difference = it[at.STAGE], it[at.DIFFERENCE]
    rows_s, rows_x, rows_t = padded(r), padded(n), padded(rt)
    rows = rows_s + rows_x + rows_t
    matrix, outputs = it[at.GAP_MATRIX] + gap * it[at.GAP_MATRIX_SIZE], 1 + r + m
    for i in range(rows):
        w[stage + i] = 0.0
    add_product(ft, matrix, rows, s, 0, n + m, w, stage)
    matrix += (n + m) * rows
    add_product(ft, matrix, rows, w, z0 + outputs, q, w, stage)
    _copy(w, stage, w, za + 1, rt)
    evaluate_terms(it, ft, w, za)

    matrix += q * rows
    for i in range(q):
        w[difference + i] = w[za + outputs + i] - w[z0 + outputs + i]
    add_product(ft, matrix, rows_s, w, difference, q, w, stage)
    _copy(w, stage, w, zm + 1, r)
    _copy(s, n, w, zm + 1 + r, m)
    evaluate_terms(it, ft, w, zm)

    matrix += q * rows_s
    for i in range(q):
        w[difference + i] = w[zm + outputs + i] - w[z0 + outputs + i]
    add_product(ft, matrix, rows_t, w, difference, q, w, stage + rows_s + rows_x)
    _copy(w, stage + rows_s + rows_x, w, zc + 1, rt)
    evaluate_terms(it, ft, w, zc)

    matrix += q * rows_t
    for i in range(q):
        w[difference + i] += w[za + outputs + i] - w[z0 + outputs + i]
    add_product(ft, matrix, rows_x, w, difference, q, w, stage + rows_s)
    matrix += q * rows_x
    for i in range(q):
        w[difference + i] = w[zc + outputs + i] - w[z0 + outputs + i]
    add_product(ft, matrix, rows_x, w, difference, q, w, stage + rows_s)
    _copy(w, stage + rows_s, s, 0, n)


@helper
def _slope(it: Ints, ft: Floats, s: Floats, w: Floats, z: int) -> None:
    """Fill w at `at.DIFFERENCE` with x' at the states at `at.TRIAL`, and the z vector on the way."""
    n, m, r, trial, stage, out = it[at.N], it[at.M], it[at.R], it[at.TRIAL], it[at.STAGE], it[at.DIFFERENCE]
    rows_s, rows_x, plain = padded(r), padded(n), it[at.PLAIN]
    for i in range(rows_s):
        w[stage + i] = 0.0
    add_product(ft, it[at.SIGNAL], rows_s, w, trial, n, w, stage)
    _copy(w, stage, w, z + 1, r)
    _copy(s, n, w, z + 1 + r, m)
    evaluate_terms(it, ft, w, z)
    for i in range(rows_x):
        w[out + i] = 0.0
    add_product(ft, plain, rows_x, w, trial, n, w, out)
    add_product(ft, plain + n * rows_x, rows_x, s, n, m, w, out)
    add_product(ft, plain + (n + m) * rows_x, rows_x, w, z + 1 + r + m, it[at.Q], w, out)


@helper
def rk4_step(it: Ints, ft: Floats, s: Floats, w: Floats, gap: int) -> None:
    """Advance the plant states by one classical Runge-Kutta step; same contract as `etd4_step`."""
    n, h = it[at.N], ft[it[at.GAP_STEP] + gap]
    k, trial, total = it[at.DIFFERENCE], it[at.TRIAL], it[at.STAGE] + padded(it[at.R])
    _copy(s, 0, w, trial, n)
    _slope(it, ft, s, w, it[at.ZA])
    for i in range(n):
        w[total + i] = w[k + i]
        w[trial + i] = s[i] + 0.5 * h * w[k + i]
    _slope(it, ft, s, w, it[at.ZA])
    for i in range(n):
        w[total + i] += 2.0 * w[k + i]
        w[trial + i] = s[i] + 0.5 * h * w[k + i]
    _slope(it, ft, s, w, it[at.ZM])
    for i in range(n):
        w[total + i] += 2.0 * w[k + i]
        w[trial + i] = s[i] + h * w[k + i]
    _slope(it, ft, s, w, it[at.ZC])
    for i in range(n):
        s[i] += h / 6.0 * (w[total + i] + w[k + i])
