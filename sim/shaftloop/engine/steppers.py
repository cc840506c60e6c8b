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

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.cache import helper, routine
from shaftloop.engine.products import add_product, padded
from shaftloop.engine.terms import evaluate_terms
from shaftloop.engine.types import Floats, Ints

__all__ = ["etd4_step", "rk4_step", "set_held", "set_z"]


@helper
def _copy(source: Floats, first: int, target: Floats, place: int, count: int) -> None:
    a, b = np.uint64(first), np.uint64(place)
    for i in range(np.uint64(count)):
        target[b + i] = source[a + i]


@helper
def _clear(target: Floats, place: int, count: int) -> None:
    b = np.uint64(place)
    for i in range(np.uint64(count)):
        target[b + i] = 0.0


@helper
def _difference(w: Floats, target: int, outputs: int, before: int, count: int) -> None:
    a, b, c = np.uint64(outputs), np.uint64(before), np.uint64(target)
    for i in range(np.uint64(count)):
        w[c + i] = w[a + i] - w[b + i]


@helper
def set_held(it: Ints, s: Floats, w: Floats, z: int) -> None:
    """Fill the held inputs of the z vector at `z`."""
    _copy(s, it[at.N], w, z + it[at.R] + it[at.N], it[at.M])


@helper
def _set_signals(it: Ints, ft: Floats, x: Floats, first: int, w: Floats, z: int) -> None:
    """Fill the signals of the z vector at `z` from the states that lie in x from `first` on."""
    _clear(w, z, it[at.R])
    add_product(ft, it[at.SIGNAL], it[at.R], x, first, it[at.N], w, z)


@helper
def set_z(it: Ints, ft: Floats, s: Floats, w: Floats, z: int) -> None:
    """Fill the z vector at `z` from the state."""
    n, r = it[at.N], it[at.R]
    _set_signals(it, ft, s, 0, w, z)
    _copy(s, 0, w, z + r, n + it[at.M])
    evaluate_terms(it, ft, w, z)


@routine
def etd4_step(it: Ints, ft: Floats, s: Floats, w: Floats, gap: int, z0: int, z1: int) -> None:
    """Advance the plant states by one substep of a gap, from z at `z0`; fill z at `at.ZM` and at `z1`."""
    n, m, q, r, zm, zc = it[at.N], it[at.M], it[at.Q], it[at.R], it[at.ZM], it[at.ZC]
    base, change = it[at.BASE], it[at.CHANGE]
    rows, out = padded(n), r + n + m
    matrix = it[at.GAP_MATRIX] + gap * it[at.GAP_MATRIX_SIZE]
    _clear(w, base, 2 * rows)
    add_product(ft, matrix, 2 * rows, w, z0 + r, n + m + q, w, base)
    _copy(w, base + rows, w, zm + r, n)
    evaluate_terms(it, ft, w, zm)

    matrix += 2 * rows * (n + m + q)
    _difference(w, change, zm + out, z0 + out, q)
    add_product(ft, matrix, rows, w, change, q, w, zm + r)
    set_held(it, s, w, zm)
    w[zm + out + q] = 1.0  # padding of the product above may have covered it
    _set_signals(it, ft, w, zm + r, w, zm)
    evaluate_terms(it, ft, w, zm)

    matrix += q * rows
    _difference(w, change + q, zm + out, z0 + out, q)
    _copy(w, base, w, zc + r, n)
    add_product(ft, matrix, rows, w, change + q, q, w, zc + r)
    evaluate_terms(it, ft, w, zc)

    matrix += q * rows
    for i in range(q):
        w[change + i] += w[change + q + i]
    _difference(w, change + q, zc + out, z0 + out, q)
    add_product(ft, matrix, rows, w, change, 2 * q, w, base)
    _copy(w, base, s, 0, n)
    set_z(it, ft, s, w, z1)


@helper
def _slope(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, out: int) -> None:
    """Fill w at `out` with x' at the states in the z vector at `z`."""
    n, m, r, rows = it[at.N], it[at.M], it[at.R], padded(it[at.N])
    set_held(it, s, w, z)
    evaluate_terms(it, ft, w, z)
    _clear(w, out, rows)
    add_product(ft, it[at.PLAIN], rows, w, z + r, n + m + it[at.Q], w, out)


@routine
def rk4_step(it: Ints, ft: Floats, s: Floats, w: Floats, gap: int, z0: int, z1: int) -> None:
    """Advance the plant states by one classical Runge-Kutta step; same contract as `etd4_step`."""
    n, r, h, zm, zc = it[at.N], it[at.R], ft[it[at.GAP_STEP] + gap], it[at.ZM], it[at.ZC]
    k, total = it[at.BASE], it[at.CHANGE]
    _slope(it, ft, s, w, z0, k)
    for i in range(n):
        w[total + i] = w[k + i]
        w[zc + r + i] = s[i] + 0.5 * h * w[k + i]
    _slope(it, ft, s, w, zc, k)
    for i in range(n):
        w[total + i] += 2.0 * w[k + i]
        w[zm + r + i] = s[i] + 0.5 * h * w[k + i]
    _slope(it, ft, s, w, zm, k)
    for i in range(n):
        w[total + i] += 2.0 * w[k + i]
        w[zc + r + i] = s[i] + h * w[k + i]
    _slope(it, ft, s, w, zc, k)
    for i in range(n):
        s[i] += h / 6.0 * (w[total + i] + w[k + i])
    _set_signals(it, ft, w, zm + r, w, zm)
    set_z(it, ft, s, w, z1)
