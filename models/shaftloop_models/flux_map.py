"""Flux linkages of a machine over both currents, as a table, and what is made of it.

A table of flux linkages, measured or computed, never belongs to an energy exactly: around a mesh the integral
of ``ψd·did + ψq·diq`` is not zero. Taken as it is such a table would make energy from nothing. So the energy
that fits best (`shaftloop_models.energy_spline`) takes its place, and what that leaves is stated: the misfit
in currents and in flux linkages, and the curl of the table, ``∂ψd/∂iq − ∂ψq/∂id``, which no energy can have.

A table of positive q currents alone is mirrored: ψd even, ψq odd over iq. Beyond the table the surface goes
on with about the inductances of its edge; that is a guess, which faults may ask for.

References
----------
.. [1] Flux linkages over both currents as the description of a saturated machine, and that cross-saturation
   is mutual: common practice, no source.
"""

import math
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Annotated, NamedTuple

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.energy_spline import EnergySpline, fit_energy
from shaftloop_models.parameters import Checked, Number, ParameterError, Quantity

__all__ = ["FLUX_COLUMNS", "FluxMap", "FluxPoint", "Misfit"]

_Array = NDArray[np.float64]

FLUX_COLUMNS = (("current_d", "A"), ("current_q", "A"), ("flux_d", "Wb"), ("flux_q", "Wb"))
"""Columns of a table, and their units."""
_FEWEST, _MOST = 4, 101
"""Currents along an axis."""
_ALIKE = 1e-9
"""Share of the largest current by which two currents count as one."""
_FAR, _COARSE = 0.05, 0.01
"""Share of the magnets' flux, and misfit over the largest current, from which a map is worth a word."""
_WORST = 0.05
"""Largest misfit of the currents, rms, over the largest current."""


@dataclass(frozen=True)
class FluxPoint:
    """A point of a table of flux linkages."""

    current_d: Annotated[float, Quantity("A", "current of the d axis", ge=-1e5, le=1e5)]
    current_q: Annotated[float, Quantity("A", "current of the q axis", ge=-1e5, le=1e5)]
    flux_d: Annotated[float, Quantity("Wb", "flux linkage of the d axis", ge=-1e4, le=1e4)]
    flux_q: Annotated[float, Quantity("Wb", "flux linkage of the q axis", ge=-1e4, le=1e4)]


class Misfit(NamedTuple):
    """What an energy leaves of a table."""

    current: float
    """Of all points and both axes, rms. [A]"""
    most_current: float
    """[A]"""
    flux: float
    """The same in flux linkages, rms. [Wb]"""
    most_flux: float
    """[Wb]"""
    curl: float
    """``∂ψd/∂iq − ∂ψq/∂id`` of the table over its meshes, rms; 0 where it belongs to an energy. [H]"""


@dataclass(frozen=True)
class FluxMap(Checked):
    """Parameters of a map of flux linkages over both currents."""

    file: Annotated[str | None, Number("CSV file beside the file that names it")] = None
    points: tuple[FluxPoint, ...] = ()
    table: Annotated[
        tuple[tuple[float, ...], ...], Number("rows of the file, in A and Wb", ge=-1e5, le=1e5)
    ] = field(default=(), metadata={"filled": True})

    @property
    def rows(self) -> tuple[tuple[float, ...], ...]:
        """Currents along d and q [A], then fluxes [Wb], of every point; empty before a file is read."""
        return self.table or tuple((p.current_d, p.current_q, p.flux_d, p.flux_q) for p in self.points)

    def check(self) -> None:
        """Check the table, as soon as it is known."""
        if (self.file is None) == (not self.points):
            found = "both a file and points" if self.points else "neither a file nor points"
            raise ParameterError("file", f"{found}: give the table as one of them")
        if self.rows:
            try:
                self.energy()
            except ParameterError as error:
                raise ParameterError("points" if self.file is None else "file", error.message) from None

    @cached_property
    def _fit(self) -> "tuple[EnergySpline, Misfit]":
        return _fitted(self.rows)

    def energy(self) -> EnergySpline:
        """Return the energy that fits the table best."""
        return self._fit[0]

    def misfit(self) -> Misfit:
        """Return what that leaves of the table."""
        return self._fit[1]

    def largest(self) -> float:
        """Return the largest size of a current that the table holds in d below 0 and in q [A]."""
        _, currents, _ = _grid(self.rows)
        low, high = currents.min(axis=0), currents.max(axis=0)
        return float(min(-low[0], -low[1], high[1]))

    def check_reach(self, most: float, both: bool) -> None:
        """Check that the table holds every current that the control of its machine may ask for.

        Parameters
        ----------
        most : float
            Limit of the current. [A]
        both : bool
            Whether it may ask for positive d currents.
        """
        _, currents, _ = _grid(self.rows)
        (low, left), (high, right) = currents.min(axis=0), currents.max(axis=0)
        across, needed = min(right, -left), most * (1.0 - _ALIKE)
        if -low < needed or across < needed or (both and high < needed):
            raise ParameterError(
                "flux_map",
                f"the table reaches from {low:g} to {high:g} A in d and to {across:g} A in q; current_limit "
                f"{most:g} A needs -{most:g} to {most if both else 0.0:g} A in d and {most:g} A in q: extend "
                "the table or lower current_limit",
            )

    def doubts(self, believed: float, most: float) -> list[tuple[tuple[str, ...], str]]:
        """Return what is allowed but looks wrong: keys inside the machine, and the words.

        Parameters
        ----------
        believed : float
            Flux linkage of the magnets as its control has it. [Wb]
        most : float
            Limit of the current. [A]
        """
        found: list[tuple[tuple[str, ...], str]] = []
        misfit, bare = self.misfit(), self.energy().bare
        if abs(bare - believed) > _FAR * abs(bare):
            words = f"the control reckons with {believed:g} Wb; the map has {bare:.4g} Wb without current"
            found.append((("flux_linkage",), words))
        if misfit.current > _COARSE * most:
            words = f"its energy misses the table by {misfit.current:.3g} A and {misfit.flux:.3g} Wb, rms"
            found.append((("flux_map",), words))
        return found


@lru_cache(maxsize=32)
def _fitted(rows: tuple[tuple[float, ...], ...]) -> tuple[EnergySpline, Misfit]:
    """Return the energy of a table and what it leaves of it."""
    shape, currents, fluxes = _grid(rows)
    _check_rise(currents.reshape(*shape, 2), fluxes.reshape(*shape, 2))
    energy = fit_energy(shape, currents, fluxes)
    if energy is None:
        raise ParameterError(
            "",
            "no energy with one flux for each current comes near the table: look for points that are out of "
            "line with their neighbours",
        )
    misfit = _misfit(energy, shape, currents, fluxes)
    most = float(np.max(np.hypot(*currents.T)))
    if misfit.current > _WORST * most:
        raise ParameterError(
            "",
            f"the currents of the energy that fits best miss the table by {misfit.current:.3g} A rms, "
            f"{misfit.most_current:.3g} A at most; allowed: {_WORST * most:.3g} A rms, {100 * _WORST:g} % of "
            f"its largest current; the curl of the table is {misfit.curl:.3g} H rms: look for exchanged "
            "columns, wrong units or signs",
        )
    return energy, misfit


def _grid(rows: tuple[tuple[float, ...], ...]) -> tuple[tuple[int, int], _Array, _Array]:
    """Return numbers of d and q currents, and all currents and fluxes in their order, mirrored if need be."""
    table = np.array(rows, dtype=float)
    near = _ALIKE * float(np.max(np.abs(table[:, :2]))) + 1e-300
    axes = [_apart(table[:, axis], near) for axis in (0, 1)]
    for (name, _), values in zip(FLUX_COLUMNS, axes, strict=False):
        if not _FEWEST <= len(values) <= _MOST:
            raise ParameterError(
                "", f"{len(values)} values of {name}; allowed: {_FEWEST} to {_MOST}, on a grid"
            )
        if not values[0] <= 0.0 <= values[-1]:
            raise ParameterError(
                "",
                f"{name} goes from {values[0]:g} to {values[-1]:g} A; it must reach to 0 A or beyond",
            )
    places = [np.rint(np.interp(table[:, a], axes[a], np.arange(len(axes[a])))).astype(int) for a in (0, 1)]
    shape = len(axes[0]), len(axes[1])
    found = np.zeros(shape, dtype=int)
    np.add.at(found, tuple(places), 1)
    for wrong, words in ((found == 0, "no point"), (found > 1, "more than one point")):
        if np.any(wrong):
            d, q = np.argwhere(wrong)[0]
            raise ParameterError(
                "",
                f"{words} at current_d {axes[0][d]:g} A, current_q {axes[1][q]:g} A; a table has one for "
                f"each pair of its {shape[0]} d currents and {shape[1]} q currents ({shape[0] * shape[1]} in "
                f"all, here {len(rows)})",
            )
    ordered = table[np.lexsort((places[1], places[0]))].reshape(*shape, 4)
    if axes[1][0] == 0.0:
        ordered = _mirror(ordered)
    if axes[1][-1] == 0.0:
        raise ParameterError("", "current_q is never positive; allowed: either sign, or 0 A and above")
    flat = ordered.reshape(-1, 4)
    return (ordered.shape[0], ordered.shape[1]), flat[:, :2], flat[:, 2:]


def _mirror(half: _Array) -> _Array:
    """Return a table over q currents of both signs from one that begins at 0 A."""
    most, stray = float(np.max(np.abs(half[..., 3]))), float(np.max(np.abs(half[:, 0, 3])))
    if stray > 0.01 * most:
        raise ParameterError(
            "",
            f"flux_q is {stray:.3g} Wb at current_q 0 A, and q currents are positive only: to mirror them it "
            f"must be 0 Wb there; allowed: {0.01 * most:.3g} Wb; give the table for both signs",
        )
    other = half[:, :0:-1] * np.array([1.0, -1.0, 1.0, -1.0])
    middle = half[:, :1] * np.array([1.0, 1.0, 1.0, 0.0])
    return np.concatenate([other, middle, half[:, 1:]], axis=1)


def _apart(values: _Array, near: float) -> _Array:
    """Return the different values of a column, in order."""
    rising = np.sort(values)
    return rising[np.concatenate([[True], np.diff(rising) > near])]


def _check_rise(currents: _Array, fluxes: _Array) -> None:
    """Check that each flux rises with its own current; arrays of shape (d, q, 2)."""
    for axis in (0, 1):
        rise = np.diff(fluxes[..., axis], axis=axis)
        if np.any(rise <= 0.0):
            d, q = np.argwhere(rise <= 0.0)[0]
            after = (d + 1, q) if axis == 0 else (d, q + 1)
            own, other = FLUX_COLUMNS[axis][0], FLUX_COLUMNS[1 - axis][0]
            raise ParameterError(
                "",
                f"{FLUX_COLUMNS[2 + axis][0]} does not rise from {own} {currents[d, q, axis]:g} to "
                f"{currents[after][axis]:g} A at {other} {currents[d, q, 1 - axis]:g} A: "
                f"{fluxes[d, q, axis]:g} Wb, then {fluxes[after][axis]:g} Wb; a flux rises with its "
                "own current",
            )


def _misfit(energy: EnergySpline, shape: tuple[int, int], currents: _Array, fluxes: _Array) -> Misfit:
    missed, lost = np.empty_like(currents), np.empty_like(currents)
    for i, (flux, current) in enumerate(zip(fluxes, currents, strict=True)):
        missed[i] = np.array(energy.at(*flux)[:2]) - current
        a, b, c = energy.inverse_inductances(*flux)
        lost[i] = np.linalg.solve([[a, b], [b, c]], missed[i])
    grid_i, grid_f = currents.reshape(*shape, 2), fluxes.reshape(*shape, 2)
    step_d = np.diff(grid_i[..., 0], axis=0)[:, 1:]
    step_q = np.diff(grid_i[..., 1], axis=1)[1:]
    crossed_q = np.diff(0.5 * (grid_f[:, 1:, 1] + grid_f[:, :-1, 1]), axis=0) / step_d
    crossed_d = np.diff(0.5 * (grid_f[1:, :, 0] + grid_f[:-1, :, 0]), axis=1) / step_q
    curl = crossed_d - crossed_q
    return Misfit(*_sizes(missed), *_sizes(lost), float(np.sqrt(np.mean(curl**2))))


def _sizes(values: _Array) -> tuple[float, float]:
    """Return the rms of all and the largest."""
    return math.sqrt(float(np.mean(values**2))), float(np.max(np.abs(values)))
