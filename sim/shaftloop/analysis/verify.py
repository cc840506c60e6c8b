"""How far a run can be trusted: energy that closes, and figures that stay when the steps become finer."""

from collections.abc import Callable
from dataclasses import dataclass

from shaftloop.analysis.energy import Energies
from shaftloop.analysis.metrics import LOSS_PREFIX, metrics
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import SimulationError
from shaftloop.figures import Figure
from shaftloop.scenario.description import Description

__all__ = ["FAIL_ABOVE", "WARN_ABOVE", "Change", "Verification", "check_energy", "verify"]

WARN_ABOVE = 1e-4
"""Energy that does not close, relative: a warning above."""
FAIL_ABOVE = 1e-2
"""Energy that does not close, relative: the run fails above."""

_NEGLIGIBLE = 1e-9
"""Share of the circulated energy below which a gap is rounding, however little passed an element."""
_SMALL = 1e-4
"""Share of all losses below which a loss does not count in a summary."""
_UNCLOSED = "do not use this run; try `method` rk4, lower gains or higher rates, and report the scenario"
_OWN = ("step", "energy_residual")
"""Metrics that state the accuracy themselves."""


@dataclass(frozen=True)
class Change:
    """How a metric answers finer steps."""

    change: float | None
    """Finer minus plain, in `unit`; nothing where one of them has no value."""
    relative: float | None
    """Change over the larger of both. [1]"""
    unit: str
    reason: str | None = None


@dataclass(frozen=True)
class Verification:
    """A run against one with finer steps."""

    factor: int
    """How many times finer."""
    step: float
    """Longest step of the finer run. [s]"""
    changes: dict[str, Change]
    """By metric."""
    small: frozenset[str] = frozenset()
    """Losses below 1e-4 of all losses."""

    @property
    def largest(self) -> tuple[str, float] | None:
        """Name and relative change of the metric that changes most; losses that hardly count are left out."""
        known = [(name, entry.relative) for name, entry in self.changes.items() if entry.relative is not None]
        counted = [pair for pair in known if pair[0] not in self.small]
        return max(counted, key=lambda pair: pair[1], default=None)


def check_energy(simulation: Simulation) -> list[str]:
    """Return a warning for everything whose energy does not close well.

    Raises
    ------
    SimulationError
        Where energy does not close at all.
    """
    warnings, small = [], simulation.bench.link.too_small(simulation.peaks)
    for name, residual in _residuals(simulation.energies):
        if not residual <= FAIL_ABOVE:
            missing = f"{residual:.2g} of it is missing, above {FAIL_ABOVE:g}"
            unclosed = f"the energy of {name} does not close: {missing}"
            # The cause before what follows from it.
            raise SimulationError(small, unclosed) if small else SimulationError(unclosed, _UNCLOSED)
        if residual > WARN_ABOVE:
            warnings.append(
                f"the energy of {name} closes to {residual:.2g} only, above {WARN_ABOVE:g}; try `verify`"
            )
    for meter, gap in simulation.energies.doubtful.items():
        loss = simulation.energies.losses[meter]
        warnings.append(
            f"the loss {meter}, {loss:.2g} J, is not to be trusted: {gap:.2g} J of the energy there does not "
            "close; try `verify`"
        )
    return [small, *warnings] if warnings and small else warnings


def verify(
    description: Description,
    simulation: Simulation,
    *,
    factor: int = 2,
    progress: Callable[[float], None] | None = None,
) -> Verification:
    """Repeat a run with finer steps and compare the metrics.

    Parameters
    ----------
    factor : int
        How many times finer. [1]
    progress : callable, optional
        Called now and then with the share of the run that is done.
    """
    finer = simulate(description, method=simulation.method, factor=factor, progress=progress)
    before, after = metrics(simulation), metrics(finer)
    # What is left at the end may be as small as rounding: stored_energy tells how far the end depends.
    names = [name for name in before if name not in _OWN and not name.startswith("at_end.")]
    changes = {name: _change(before[name], after[name]) for name in names}
    return Verification(factor, finer.step, changes, _small_losses(before))


def _small_losses(found: dict[str, Figure]) -> frozenset[str]:
    limit = _SMALL * (found["loss_energy"].value or 0.0)
    losses = {name: entry.value or 0.0 for name, entry in found.items() if name.startswith(LOSS_PREFIX)}
    return frozenset(name for name, energy in losses.items() if energy < limit)


def _residuals(energies: Energies) -> list[tuple[str, float]]:
    """Return what does not close: of the bench, and of every element where the gap is more than rounding."""
    found = [("the bench", energies.residual)]
    for balance in (*energies.balances, *energies.heat):
        if not abs(balance.gap) <= _NEGLIGIBLE * energies.circulated:
            found.append((balance.element, balance.residual))
    return found


def _change(before: Figure, after: Figure) -> Change:
    if before.value is None or after.value is None:
        same = before.value is None and after.value is None
        reason = before.reason if same else "the metric exists in one of the two runs only"
        return Change(None, None, before.unit, reason)
    change = after.value - before.value
    size = max(abs(before.value), abs(after.value))
    return Change(change, abs(change) / size if size else 0.0, before.unit)
