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
from shaftloop.engine.compiled.linkterms import settle_middle
from shaftloop.engine.compiled.terms import evaluate_terms
from shaftloop.kernels.arrays import Floats, Ints, Products
from shaftloop.kernels.decorators import helper, routine
from shaftloop.kernels.products import padded, product
from shaftloop.kernels.views import flat, for_all, for_lanes, lane_of, width

__all__ = ["copy_slots", "etd4_step", "rk4_step", "set_held", "set_z", "shift_slots"]

_ALL, _OWN = 0, -1
"""Masks of a product: all rows begin with the same slot, or each with one of its own."""


@helper
def copy_slots(source: Floats, first: int, target: Floats, place: int, count: int) -> None:
    """Copy slots of all lanes to others."""
    n = width(source)
    for_all(_copy, count * n, (flat(source), first * n, flat(target), place * n))


@helper
def _copy(_: int, i: int, source: Floats, first: int, target: Floats, place: int) -> None:
    target[place + i] = source[first + i]


@helper
def shift_slots(s: Floats, line: int, wide: int, count: int) -> None:
    """Move slots of a line to its front."""
    u, n = flat(s), width(s)
    for i in range(line * n, (line + count) * n):
        u[i] = u[i + wide * n]


@helper
def _add_changes(w: Floats, target: int, one: int, other: int, before: int, count: int) -> None:
    """Add up how two stretches of slots differ from what was before."""
    n = width(w)
    for_all(_add_change, count * n, (flat(w), target * n, one * n, other * n, before * n))


@helper
def _add_change(_: int, i: int, v: Floats, target: int, one: int, other: int, before: int) -> None:
    v[target + i] = (v[one + i] - v[before + i]) + (v[other + i] - v[before + i])


@helper
def set_held(it: Ints, s: Floats, w: Floats, z: int) -> None:
    """Fill the held inputs of the z vector at `z`."""
    copy_slots(s, it[at.N], w, z + it[at.R] + it[at.N], it[at.M])


@helper
def set_z(it: Ints, ft: Floats, et: Products, s: Floats, w: Floats, z: int) -> None:
    """Fill the z vector at `z` from the state."""
    copy_slots(s, 0, w, z + it[at.R], it[at.N])
    _complete(it, ft, et, s, w, z)


@helper
def _one(lane: int, w: Floats, slot: int) -> None:
    lane_of(w, lane)[slot] = 1.0


@helper
def _inputs(it: Ints, s: Floats, w: Floats, z: int) -> None:
    """Fill held inputs and the constant of the z vector at `z`: the padding of a product may cover it."""
    set_held(it, s, w, z)
    for_lanes(_one, (w, z + it[at.R] + it[at.N] + it[at.M] + it[at.Q]))


@helper
def _signals(it: Ints, et: Products, s: Floats, w: Floats, z: int) -> None:
    """Fill held inputs, the constant and signals of the z vector at `z` from the states in it."""
    _inputs(it, s, w, z)
    product(et, at.SIGNAL, 0, (w, z + it[at.R]), (w, it[at.ZEROS], _ALL), (w, z))


@routine
def _complete(it: Ints, ft: Floats, et: Products, s: Floats, w: Floats, z: int) -> None:
    """Fill all of the z vector at `z` but for the states, from these."""
    _signals(it, et, s, w, z)
    evaluate_terms(it, ft, w, z)


@helper
def _halfway(it: Ints, w: Floats, first: int, second: int) -> None:
    """Take for the middle of a step the mean of both stages there, at `first` and `second`.

    Either is off by the square of the step, in opposite directions, which meters would see.
    """
    states, outputs = it[at.R], it[at.R] + it[at.N] + it[at.M]
    asides = outputs + it[at.Q] + 1
    _mean(w, first + states, second + states, it[at.N])
    _mean(w, first + outputs, second + outputs, it[at.Q])
    _mean(w, first + asides, second + asides, it[at.ASIDES])


@helper
def _mean(w: Floats, first: int, second: int, count: int) -> None:
    n = width(w)
    for_all(_half, count * n, (flat(w), first * n, second * n))


@helper
def _half(_: int, i: int, v: Floats, first: int, second: int) -> None:
    v[second + i] = 0.5 * (v[first + i] + v[second + i])


@routine
def etd4_step(it: Ints, ft: Floats, et: Products, s: Floats, w: Floats, gap: int, z0: int, z1: int) -> None:
    """Advance the plant states by one substep of a gap, from z at `z0`; fill z at `at.ZM` and at `z1`."""
    n, q, r, zm, zc = it[at.N], it[at.Q], it[at.R], it[at.ZM], it[at.ZC]
    base, change, out = it[at.BASE], it[at.CHANGE], it[at.R] + it[at.N] + it[at.M]
    middle = base + padded(n)
    first = middle - r + out
    product(et, at.FREE, gap, (w, z0 + r), (w, it[at.ZEROS], _ALL), (w, base))
    if it[at.LINKS] + it[at.OWNS] > 0:
        _inputs(it, s, w, middle - r)
    evaluate_terms(it, ft, w, middle - r)

    product(et, at.MIDDLE, gap, (w, first, z0 + out), (w, middle, _OWN), (w, zm + r))
    _inputs(it, s, w, zm)
    evaluate_terms(it, ft, w, zm)

    product(et, at.LAST, gap, (w, zm + out, z0 + out), (w, base, _OWN), (w, zc + r))
    _add_changes(w, change, first, zm + out, z0 + out, q)
    product(et, at.BOTH, gap, (w, change), (w, base, _OWN), (w, base))
    if it[at.LINKS] + it[at.OWNS] > 0:
        _inputs(it, s, w, zc)
    evaluate_terms(it, ft, w, zc)

    product(et, at.END, gap, (w, zc + out, z0 + out), (w, base, _OWN), (w, z1 + r))
    copy_slots(w, z1 + r, s, 0, n)
    _complete(it, ft, et, s, w, z1)
    _halfway(it, w, middle - r, zm)
    product(et, at.SIGNAL, 0, (w, zm + r), (w, it[at.ZEROS], _ALL), (w, zm))
    if it[at.LINKS] > 0:
        settle_middle(it, ft, w, z0, zm, z1, lane_of(ft, 0)[it[at.GAP_STEP] + gap])


@helper
def _slope(it: Ints, ft: Floats, et: Products, s: Floats, w: Floats, z: int, out: int) -> None:
    """Fill w at `out` with x' at the states in the z vector at `z`."""
    set_held(it, s, w, z)
    evaluate_terms(it, ft, w, z)
    product(et, at.SLOPE, 0, (w, z + it[at.R]), (w, it[at.ZEROS], _ALL), (w, out))


@helper
def _along(lane: int, s: Floats, w: Floats, target: int, i: int, slope: int, h: float) -> None:
    lane_of(w, lane)[target + i] = lane_of(s, lane)[i] + h * lane_of(w, lane)[slope + i]


@helper
def _sum_up(lane: int, w: Floats, total: int, slope: int) -> None:
    lane_of(w, lane)[total] += 2.0 * lane_of(w, lane)[slope]


@helper
def _finish(lane: int, s: Floats, w: Floats, i: int, total: int, slope: int, h: float) -> None:
    lane_of(s, lane)[i] += h / 6.0 * (lane_of(w, lane)[total] + lane_of(w, lane)[slope])


@routine
def rk4_step(it: Ints, ft: Floats, et: Products, s: Floats, w: Floats, gap: int, z0: int, z1: int) -> None:
    """Advance the plant states by one classical Runge-Kutta step; same contract as `etd4_step`."""
    n, r, zm, zc = it[at.N], it[at.R], it[at.ZM], it[at.ZC]
    h = lane_of(ft, 0)[it[at.GAP_STEP] + gap]
    k, total = it[at.BASE], it[at.CHANGE]
    _slope(it, ft, et, s, w, z0, k)
    copy_slots(w, k, w, total, n)
    for i in range(n):
        for_lanes(_along, (s, w, zc + r, i, k, 0.5 * h))
    _slope(it, ft, et, s, w, zc, k)
    for i in range(n):
        for_lanes(_sum_up, (w, total + i, k + i))
        for_lanes(_along, (s, w, zm + r, i, k, 0.5 * h))
    _slope(it, ft, et, s, w, zm, k)
    _halfway(it, w, zc, zm)
    for i in range(n):
        for_lanes(_sum_up, (w, total + i, k + i))
        for_lanes(_along, (s, w, zc + r, i, k, h))
    _slope(it, ft, et, s, w, zc, k)
    for i in range(n):
        for_lanes(_finish, (s, w, i, total + i, k + i, h))
    _signals(it, et, s, w, zm)
    set_z(it, ft, et, s, w, z1)
    if it[at.LINKS] > 0:
        settle_middle(it, ft, w, z0, zm, z1, h)
