"""An energy over two flux linkages as a smooth surface, whose slopes are the currents of a machine.

::

    W(ψd, ψq) = Σ ckl·Bk(ψd)·Bl(ψq)        id = ∂W/∂ψd,   iq = ∂W/∂ψq

with cubic B-splines over evenly spaced knots, so currents and inductances are smooth. The coefficients follow
from a table of currents and fluxes by least squares: first the paraboloid (constant inductances) that fits
best, then what is left. Its third derivatives count a little, which leaves a paraboloid as it is, fills the
surface in where the table says nothing and goes on from the table with its last inductances. Where it is not
convex at a knot of the circle of its reach it is drawn to the nearest surface that is, so that each current
belongs to one flux. Both weights grow until that is so. Beyond the square around the circle the surface goes
on as a paraboloid along either axis.

References
----------
.. [1] P. H. C. Eilers, B. D. Marx, "Flexible smoothing with B-splines and penalties", Statistical Science 11
   (1996) 89-121: a fit with a penalty on differences. From memory.
.. [2] M. Hinkkanen, P. Pescetto, E. Mölsä, S. E. Saarakkala, G. Pellegrino, R. Bojoi, "Sensorless
   self-commissioning of synchronous reluctance motors at standstill without rotor locking", IEEE Transactions
   on Industry Applications 53 (2017) 2120-2129: currents as functions of the fluxes that belong to an energy.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.compiled import equation

__all__ = ["EnergySpline", "fit_energy", "slopes"]

_Array = NDArray[np.float64]

_CELLS = (10, 40)
"""Fewest and most between the ends of the table along an axis."""
_MOST_CELLS = 100
_REACH = 1.2
"""Radius of the reach over the largest flux of the table."""
_WEIGHTS = ((1e-6, 1e-3), (1e-6, 1e-2), (1e-5, 1e-2), (1e-4, 0.1), (1e-3, 0.1), (1e-2, 0.1))
"""Of the third derivatives and of the pull to what is convex, over that of the table: tried in turn."""
_ROUNDS = 40
"""In which a surface is drawn to one that is convex."""
_FLAT = 0.1
"""Smallest curvature that it is drawn to, over that of the paraboloid; half of it suffices."""
_GAUSS = np.polynomial.legendre.leggauss(4)


@equation
def _weights(place: float) -> tuple[float, float, float, float, float, float, float, float]:
    """Return the four B-splines of a cell and their slopes, at a place from 0 to 1 or beyond."""
    t = min(max(place, 0.0), 1.0)
    s, r = place - t, 1.0 - t
    a, b = r * r * r / 6.0, 2.0 / 3.0 - t * t + 0.5 * t * t * t
    c, d = 2.0 / 3.0 - r * r + 0.5 * r * r * r, t * t * t / 6.0
    da, db, dc, dd = -0.5 * r * r, t * (1.5 * t - 2.0), r * (2.0 - 1.5 * r), 0.5 * t * t
    ha, hb, hc, hd = r, 3.0 * t - 2.0, 3.0 * r - 2.0, t
    return (
        a + s * (da + 0.5 * s * ha),
        b + s * (db + 0.5 * s * hb),
        c + s * (dc + 0.5 * s * hc),
        d + s * (dd + 0.5 * s * hd),
        da + s * ha,
        db + s * hb,
        dc + s * hc,
        dd + s * hd,
    )


@equation
def slopes(
    d: float, q: float, first: float, wide_d: float, wide_q: float, table: Any
) -> tuple[float, float, float]:
    """Return the currents [A] and the energy over 1.5 [J] at a flux linkage.

    Parameters
    ----------
    d, q : float
        Flux linkages. [Wb]
    first : float
        Where the knots begin, in both axes. [Wb]
    wide_d, wide_q : float
        Distance of the knots. [Wb]
    table : ndarray, shape (cells + 3, cells + 3)
        Coefficients. [J]
    """
    along, across = (d - first) / wide_d, (q - first) / wide_q
    row = min(max(math.floor(along), 0), table.shape[0] - 4)
    column = min(max(math.floor(across), 0), table.shape[1] - 4)
    wd, wq = _weights(along - row), _weights(across - column)
    by_d = by_q = energy = 0.0
    for i in range(4):
        value = slope = 0.0
        for j in range(4):
            value += wq[j] * table[row + i, column + j]
            slope += wq[4 + j] * table[row + i, column + j]
        energy += wd[i] * value
        by_d += wd[4 + i] * value
        by_q += wd[i] * slope
    return by_d / wide_d, by_q / wide_q, energy


@dataclass(frozen=True, eq=False)
class EnergySpline:
    """An energy over two flux linkages."""

    first: float
    """Where the knots begin, in both axes; they end at its opposite. [Wb]"""
    wide: tuple[float, float]
    """Distance of the knots along d and q. [Wb]"""
    table: _Array
    """Coefficients, shape (cells along d + 3, cells along q + 3). [J]"""
    bare: float
    """Flux linkage without current, along d. [Wb]"""

    def at(self, d: float, q: float) -> tuple[float, float, float]:
        """Return the currents [A] and the energy over 1.5, 0 without current [J].

        Parameters
        ----------
        d, q : float
            Flux linkages. [Wb]
        """
        return slopes(d, q, self.first, *self.wide, self.table)

    def inverse_inductances(self, d: float, q: float) -> tuple[float, float, float]:
        """Return the second derivatives by d twice, d and q, and q twice [1/H].

        Parameters
        ----------
        d, q : float
            Flux linkages. [Wb]
        """
        step = 1e-2 * min(self.wide)
        (dd, dq, _), (ed, eq, _) = self.at(d + step, q), self.at(d - step, q)
        (_, qq, _), (_, pq, _) = self.at(d, q + step), self.at(d, q - step)
        return (dd - ed) / (2.0 * step), (dq - eq) / (2.0 * step), (qq - pq) / (2.0 * step)

    def flux(self, current_d: float, current_q: float) -> tuple[float, float]:
        """Return the flux linkages of a current by Newton's method, damped [Wb].

        Parameters
        ----------
        current_d, current_q : float
            [A]
        """
        d, q = self.bare, 0.0
        for _ in range(60):
            d, q, size = self._nearer(d, q, current_d, current_q)
            if size <= 1e-14 * abs(self.first):
                break
        return d, q

    def _nearer(self, d: float, q: float, current_d: float, current_q: float) -> tuple[float, float, float]:
        """Return a better flux and the step that leads there [Wb]."""
        now = self.at(d, q)
        left_d, left_q = current_d - now[0], current_q - now[1]
        a, b, c = self.inverse_inductances(d, q)
        whole = a * c - b * b
        step_d, step_q = (c * left_d - b * left_q) / whole, (a * left_q - b * left_d) / whole
        share = 1.0
        while share > 1e-6:
            there = self.at(d + share * step_d, q + share * step_q)
            if math.hypot(current_d - there[0], current_q - there[1]) <= math.hypot(left_d, left_q):
                break
            share *= 0.5
        return d + share * step_d, q + share * step_q, share * math.hypot(step_d, step_q)


def fit_energy(shape: tuple[int, int], currents: _Array, fluxes: _Array) -> EnergySpline | None:
    """Return the energy whose slopes fit a table best, nothing where no convex one is found.

    Parameters
    ----------
    shape : tuple of int
        Numbers of d and q currents of the table, as far as the surface is to have as many cells.
    currents : ndarray, shape (points, 2)
        Along d and q. [A]
    fluxes : ndarray, shape (points, 2)
        [Wb]
    """
    spans = np.ptp(fluxes, axis=0)
    reach = _REACH * float(np.max(np.hypot(*fluxes.T)))
    across = np.clip(np.array(shape) - 1, *_CELLS)
    cells = np.clip(np.ceil(2.0 * reach / spans * across), across, _MOST_CELLS).astype(int)
    wide = 2.0 * reach / cells
    paraboloid = _paraboloid(currents, fluxes)
    design = _design(fluxes, -reach, wide, cells)
    left = (currents - _linear(paraboloid, fluxes)).T.ravel()
    bends = _Bends(paraboloid, reach, spans, wide)
    for weights in _WEIGHTS:
        extra = _solve(design, left, (_penalty(spans, wide, cells), *weights), bends)
        if extra is not None:
            table = _coefficients(paraboloid, -reach, wide, cells) + extra.reshape(cells + 3)
            return _begin(EnergySpline(-reach, (float(wide[0]), float(wide[1])), table, 0.0))
    return None


def _begin(found: EnergySpline) -> EnergySpline:
    """Return an energy that counts from the flux without current."""
    bare, _ = found.flux(0.0, 0.0)
    table = found.table - found.at(bare, 0.0)[2]
    return EnergySpline(found.first, found.wide, table, bare)


def _paraboloid(currents: _Array, fluxes: _Array) -> _Array:
    """Return the currents at zero flux, and the inverse inductances dd, dq, qq, that fit best."""
    d, q = fluxes.T
    zero, one = np.zeros_like(d), np.ones_like(d)
    rows = np.concatenate([np.c_[one, zero, d, q, zero], np.c_[zero, one, zero, d, q]])
    return np.linalg.lstsq(rows, currents.T.ravel(), rcond=None)[0]


def _linear(paraboloid: _Array, fluxes: _Array) -> _Array:
    """Return the currents of a paraboloid, shape (points, 2) [A]."""
    a, b, dd, dq, qq = paraboloid
    d, q = fluxes.T
    return np.c_[a + dd * d + dq * q, b + dq * d + qq * q]


def _coefficients(paraboloid: _Array, first: float, wide: _Array, cells: _Array) -> _Array:
    """Return a paraboloid as B-splines, which hold it exactly."""
    a, b, dd, dq, qq = paraboloid
    (xd, yd), (xq, yq) = (
        (places, places**2 - w**2 / 3.0)
        for w, n in zip(wide, cells, strict=True)
        for places in (first + w * np.arange(-1.0, n + 2.0),)
    )
    of_d, of_q = a * xd + 0.5 * dd * yd, b * xq + 0.5 * qq * yq
    return of_d[:, np.newaxis] + of_q + dq * np.outer(xd, xq)


def _design(fluxes: _Array, first: float, wide: _Array, cells: _Array) -> Any:
    """Return the currents of every coefficient at the points of a table: those along d, then along q."""
    from scipy.sparse import csr_array

    places = (fluxes - first) / wide
    corner = np.clip(np.floor(places), 0, cells - 1)
    (of_d, by_d), (of_q, by_q) = (
        (np.stack(w[:4], axis=1), np.stack(w[4:], axis=1)) for w in map(_many, (places - corner).T)
    )
    near = corner[:, :, np.newaxis] + np.arange(4.0)
    columns = near[:, 0, :, np.newaxis] * (cells[1] + 3) + near[:, 1, np.newaxis, :]
    along = by_d[:, :, np.newaxis] * of_q[:, np.newaxis, :] / wide[0]
    across = of_d[:, :, np.newaxis] * by_q[:, np.newaxis, :] / wide[1]
    rows = np.repeat(np.arange(2 * len(fluxes)), 16)
    entries = np.concatenate([along.ravel(), across.ravel()])
    place = np.tile(columns.ravel().astype(np.int64), 2)
    return csr_array((entries, (rows, place)), shape=(2 * len(fluxes), int(np.prod(cells + 3))))


def _many(places: _Array) -> list[_Array]:
    """Return the four B-splines of a cell and their slopes at many places."""
    return list(np.array([_weights(float(place)) for place in places]).T)


def _penalty(spans: _Array, wide: _Array, cells: _Array) -> Any:
    """Return the mean square of the third derivatives over table-sized lengths, as a matrix [A^2]."""
    from scipy.sparse import kron

    scale, size = spans / wide, float(np.prod(spans))
    total = 0.0
    for order in range(4):
        rate = math.comb(3, order) * scale[0] ** (2 * order) * scale[1] ** (6 - 2 * order)
        total = total + rate * kron(_gram(cells[0], order), _gram(cells[1], 3 - order))
    return total / (size * float(np.prod(scale)))


def _gram(cells: int, order: int) -> Any:
    """Return the integrals of products of derivatives of B-splines, one unit a cell."""
    from scipy.sparse import csr_array

    at, weights = 0.5 + 0.5 * _GAUSS[0], 0.5 * _GAUSS[1]
    ends = ((-1, 3, -3, 1), (3, -6, 0, 4), (-3, 3, 3, 1), (1, 0, 0, 0))
    shapes = np.array([np.poly1d(end).deriv(order)(at) / 6.0 for end in ends])
    cell = (shapes * weights) @ shapes.T
    rows = np.arange(cells)[:, np.newaxis] + np.repeat(np.arange(4), 4)
    columns = np.arange(cells)[:, np.newaxis] + np.tile(np.arange(4), 4)
    shape = (int(cells) + 3, int(cells) + 3)
    return csr_array((np.tile(cell.ravel(), cells), (rows.ravel(), columns.ravel())), shape=shape)


class _Bends:
    """The curvature of a surface at the knots of a circle, in lengths of the table.

    Parameters
    ----------
    paraboloid : ndarray, shape (5,)
        From `_paraboloid`; surfaces are what comes on top of it.
    reach : float
        Radius of the circle. [Wb]
    spans, wide : ndarray, shape (2,)
        Size of the table and distance of the knots. [Wb]
    """

    def __init__(self, paraboloid: _Array, reach: float, spans: _Array, wide: _Array) -> None:
        from scipy.sparse import csr_array, diags_array, kron, vstack

        counts = [round(2.0 * reach / w) + 1 for w in wide]
        shapes = (1 / 6, 2 / 3, 1 / 6), (-0.5, 0.0, 0.5), (1.0, -2.0, 1.0)
        first, second, third = (
            [
                (s / w) ** i * diags_array(list(shape), offsets=[0, 1, 2], shape=(n, n + 2))
                for n, s, w in zip(counts, spans, wide, strict=True)
            ]
            for i, shape in enumerate(shapes)
        )
        places = [-reach + w * np.arange(n) for n, w in zip(counts, wide, strict=True)]
        inside = (np.hypot(places[0][:, np.newaxis], places[1]) <= reach).ravel()
        pairs = (third[0], first[1]), (second[0], second[1]), (first[0], third[1])
        scale = 1.0 / math.sqrt(float(np.prod(spans)))
        self.rows = vstack([csr_array(kron(*pair))[inside] * scale for pair in pairs]).tocsr()
        """Second derivatives dd, dq, qq by the coefficients."""
        sizes = np.array([spans[0] ** 2, spans[0] * spans[1], spans[1] ** 2]) * scale
        self.whole = np.repeat(paraboloid[2:] * sizes, np.count_nonzero(inside))
        """Those of the paraboloid. [A]"""
        self.least = _FLAT * min(paraboloid[2] * sizes[0], paraboloid[4] * sizes[2])
        self.share = float(np.prod(wide / spans))
        """Of a knot in the size of the table."""

    def towards(self, table: _Array) -> tuple[_Array, bool]:
        """Return the nearest second derivatives that are convex, and whether they are those of a surface."""
        dd, dq, qq = (self.rows @ table + self.whole).reshape(3, -1)
        mean, half = 0.5 * (dd + qq), np.hypot(0.5 * (dd - qq), dq)
        low, high = np.maximum(mean - half, self.least), np.maximum(mean + half, self.least)
        turned = np.arctan2(2.0 * dq, dd - qq)
        mean, half = 0.5 * (high + low), 0.5 * (high - low)
        convex = [mean + half * np.cos(turned), half * np.sin(turned), mean - half * np.cos(turned)]
        fine = np.min(0.5 * (dd + qq) - np.hypot(0.5 * (dd - qq), dq)) >= 0.5 * self.least
        return np.concatenate(convex) - self.whole, bool(fine)


def _solve(design: Any, left: _Array, weighed: tuple[Any, float, float], bends: _Bends) -> _Array | None:
    """Return the coefficients of least squares that make it convex, nothing where that does not succeed."""
    from scipy.sparse import eye_array
    from scipy.sparse.linalg import splu

    penalty, smooth, pull = weighed
    points, share = 0.5 * len(left), pull**2 * bends.share
    normal, right = design.T @ design / points + smooth**2 * penalty, design.T @ left / points
    # The constant is free: it is made small.
    normal = normal + 1e-13 * normal.diagonal().max() * eye_array(normal.shape[0])
    table, solver = splu(normal.tocsc()).solve(right), None
    for _ in range(_ROUNDS):
        wanted, fine = bends.towards(table)
        if fine:
            return np.asarray(table)
        if solver is None:
            solver = splu((normal + share * bends.rows.T @ bends.rows).tocsc())
        table = solver.solve(right + share * (bends.rows.T @ wanted))
    return None
