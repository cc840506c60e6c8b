"""Clocks that are not synchronised: every phase they may have against the rest of the bench."""

from dataclasses import replace
from fractions import Fraction
from itertools import product
from math import gcd, lcm

from shaftloop.scenario.description import Description

__all__ = ["phase_variants"]

_PHASES = 8
"""Phases per free-running clock; fewer where several clocks run free."""
_MOST = 64


def phase_variants(description: Description) -> list[tuple[dict[str, Fraction], Description]]:
    """Return the bench with the phases of its free-running clocks swept over their common period.

    The phase of a clock matters modulo the greatest common divisor of its period and the others'. Without a
    free-running clock the only variant is the bench itself.

    Parameters
    ----------
    description : Description
        The bench.

    Returns
    -------
    list of tuple
        Phase by name [s], and the bench with these phases.
    """
    free = [item for item in _clocked(description) if item.free_running]
    if not free:
        return [({}, description)]
    count = _PHASES
    while count > 2 and count ** len(free) > _MOST:
        count -= 1
    everyone = [_period(item) for item in _clocked(description)]
    everyone += [1 / rate for rate in _machine_rates(description)]
    sweeps = [[k * _common(_period(item), everyone) / count for k in range(count)] for item in free]
    variants = []
    for phases in product(*sweeps):
        shifts = {item.name: item.phase + phase for item, phase in zip(free, phases, strict=True)}
        variants.append((shifts, _shifted(description, shifts)))
    return variants


def _clocked(description: Description) -> list:  # type: ignore[type-arg]
    parts = [part for part in description.line if hasattr(part, "free_running")]
    return [*parts, *description.loop, *description.hop]


def _machine_rates(description: Description) -> list[Fraction]:
    controls = [getattr(part, "current_control", part) for part in description.line]
    return [control.rate for control in controls if hasattr(control, "rate")]


def _period(item: object) -> Fraction:
    if hasattr(item, "period"):
        return Fraction(item.period)
    return 1 / Fraction(item.sampling if hasattr(item, "sampling") else item.rate)  # type: ignore[attr-defined]


def _common(period: Fraction, others: list[Fraction]) -> Fraction:
    """Return the greatest common divisor of a period and all that differ from it, else the period."""
    result = period
    for other in others:
        scale = lcm(result.denominator, other.denominator)
        result = Fraction(gcd(int(result * scale), int(other * scale)), scale)
    return result


def _shifted(description: Description, shifts: dict[str, Fraction]) -> Description:
    def moved(items: tuple) -> tuple:  # type: ignore[type-arg]
        return tuple(
            replace(item, phase=shifts[item.name] % _period(item)) if item.name in shifts else item
            for item in items
        )

    return replace(
        description, line=moved(description.line), loop=moved(description.loop), hop=moved(description.hop)
    )
