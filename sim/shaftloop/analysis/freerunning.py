"""Clocks that are not synchronised: every phase they may have against the rest of the bench.

A task's instants repeat after its own period, those of all others after the least common multiple of theirs;
only the phase within the greatest common divisor of the two makes a difference. Within this range the bench
changes smoothly with the phase, but for the instants at which a value just misses its reader.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import reduce
from itertools import islice, pairwise
from math import ceil, gcd, lcm

from shaftloop.bench.assemble import build_bench
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Model
from shaftloop.scenario.description import Description

__all__ = ["MOST_VARIANTS", "Variant", "phase_variants", "sweep_note", "swept_clocks"]

Variant = tuple[dict[str, Fraction], Description]
"""Phase by name of the clock [s], and the bench with these phases."""

MOST_VARIANTS = 128
"""Combinations of phases that are looked at; with more the steps become coarser."""
_STEPS = 8
"""Least number of steps over the range of a phase."""
_BESIDE = Fraction(1, 10**9)
"""How far from an instant at which a value just misses its reader the bench is looked at. [s]"""


@dataclass(frozen=True)
class _Meeting:
    """Two tasks on different clocks that share a slot."""

    other: str
    """Clock of the other one; empty where that does not run free."""
    offset: Fraction
    """Shift of the own clock at which their instants meet, the other one unshifted. [s]"""
    step: Fraction
    """Distance to the next such shift. [s]"""


@dataclass(frozen=True)
class _Clock:
    """A free-running clock."""

    name: str
    phase: Fraction
    """As stated. [s]"""
    period: Fraction
    """[s]"""
    range: Fraction
    """Of its phase, beyond which the pattern of instants repeats. [s]"""
    meetings: tuple[_Meeting, ...]

    def shifts(self, others: Mapping[str, Fraction], steps: int) -> list[Fraction]:
        """Return shifts over the full range, both sides of every meeting with what has a place [s].

        Parameters
        ----------
        others : mapping of str to Fraction
            Shifts of the clocks that have a place. [s]
        steps : int
            Least number of steps over the range; with 0 there is nothing between the meetings.
        """
        cuts = set()
        for meeting in self.meetings:
            if not meeting.other or meeting.other in others:
                first = (meeting.offset + others.get(meeting.other, 0)) % meeting.step
                cuts |= {first + k * meeting.step for k in range(ceil((self.range - first) / meeting.step))}
        if not cuts:
            return [k * self.range / max(steps, 2) for k in range(max(steps, 2))]
        found: list[Fraction] = []
        ordered = sorted(cuts)
        for low, high in pairwise([*ordered, ordered[0] + self.range]):
            beside = min(_BESIDE, (high - low) / 4)
            inner = ceil((high - low) * steps / self.range)
            between = [low + k * (high - low) / inner for k in range(1, inner)]
            found += [shift % self.range for shift in (low + beside, *between, high - beside)]
        return sorted(set(found))


def phase_variants(description: Description, most: int = MOST_VARIANTS) -> list[Variant]:
    """Return the bench with the phases of its free-running clocks swept over all that makes a difference.

    The bench as it is stated comes first. Without a free-running clock it is the only one.

    Parameters
    ----------
    most : int
        Combinations of phases beside the stated one. With more the steps become coarser, then combinations of
        near misses are spread evenly.
    """
    clocks = _clocks(description)
    for steps in (_STEPS, 4, 2, 0):
        combinations = list(islice(_combinations(clocks, steps), most + 1))
        if len(combinations) <= most:
            break
    else:
        combinations = _spread(clocks, most)
    stated = dict.fromkeys((clock.name for clock in clocks), Fraction(0))
    chosen = [stated, *(entry for entry in combinations if entry != stated)]
    return [_variant(description, clocks, shifts) for shifts in chosen]


def swept_clocks(description: Description, phases: Mapping[str, Fraction]) -> list[Variant]:
    """Return the bench with each of its free-running clocks swept alone, the others at given phases.

    Parameters
    ----------
    phases : mapping of str to Fraction
        By name of the clock. [s]
    """
    clocks = _clocks(description)
    shifts = {clock.name: phases[clock.name] - clock.phase for clock in clocks}
    return [
        _variant(description, clocks, shifts | {clock.name: shift})
        for clock in clocks
        for shift in clock.shifts({n: s for n, s in shifts.items() if n != clock.name}, _STEPS)
    ]


def sweep_note(description: Description) -> str:
    """Return what the bound on the number of benches leaves out of the sweep, in words; empty for nothing."""
    clocks = _clocks(description)
    if len(list(islice(_combinations(clocks, _STEPS), MOST_VARIANTS + 1))) <= MOST_VARIANTS:
        return ""
    return (
        f"the phases of {', '.join(clock.name for clock in clocks)} have more than {MOST_VARIANTS} "
        "combinations worth a look; so many are looked at, then each clock in turn around the worst of them"
    )


def _combinations(clocks: list[_Clock], steps: int) -> Iterator[dict[str, Fraction]]:
    """Yield shifts of all clocks; each one meets those that come before it."""

    def placed(shifts: dict[str, Fraction]) -> Iterator[dict[str, Fraction]]:
        if len(shifts) == len(clocks):
            yield shifts
            return
        clock = clocks[len(shifts)]
        for shift in clock.shifts(shifts, steps):
            yield from placed(shifts | {clock.name: shift})

    return placed({})


def _spread(clocks: list[_Clock], count: int) -> list[dict[str, Fraction]]:
    """Return combinations of shifts beside meetings, evenly spread by multiples of irrational numbers."""
    # The root of x^(n+1) = x + 1 spreads n of them best.
    root = 2.0
    for _ in range(40):
        root = (1.0 + root) ** (1.0 / (len(clocks) + 1))
    found = []
    for number in range(1, count + 1):
        shifts: dict[str, Fraction] = {}
        for place, clock in enumerate(clocks, 1):
            options = clock.shifts(shifts, 0)
            shifts[clock.name] = options[int(number / root**place % 1.0 * len(options))]
        found.append(shifts)
    return found


def _variant(description: Description, clocks: list[_Clock], shifts: dict[str, Fraction]) -> Variant:
    phases = {clock.name: (clock.phase + shifts[clock.name]) % clock.period for clock in clocks}
    return phases, _shifted(description, phases)


def _clocks(description: Description) -> list[_Clock]:
    """Return the free-running clocks, each after one that it meets where it meets no fixed one."""
    clocks = [(item, item.timing()) for item in _clocked(description)]
    free = [item for item, clock in clocks if clock is not None and clock.free_running]
    if not free:
        return []
    model = build_bench(description, smooth=True).model
    tasks, owners = model.tasks, [""] * len(model.tasks)
    for item in free:
        period = item.timing().period
        moved = build_bench(
            _shifted(description, {item.name: (item.phase + period / 3) % period}), smooth=True
        )
        for number, task in enumerate(moved.model.tasks):
            if task.phase != tasks[number].phase:
                owners[number] = item.name
    found = [_clock(item, model, owners) for item in free]
    ordered: list[_Clock] = []
    while found:
        known = {"", *(clock.name for clock in ordered)}
        near = [clock for clock in found if any(meeting.other in known for meeting in clock.meetings)]
        ordered.append((near or found)[0])
        found.remove(ordered[-1])
    return ordered


def _clock(item, model: Model, owners: list[str]) -> _Clock:  # type: ignore[no-untyped-def]
    own = [task for task, owner in zip(model.tasks, owners, strict=True) if owner == item.name]
    rest = [(task, owner) for task, owner in zip(model.tasks, owners, strict=True) if owner != item.name]
    plant = {i for i, slot in enumerate(model.layout.slots) if slot.kind is SlotKind.CONTINUOUS}
    meetings = {
        _Meeting(owner, (other.phase - task.phase) % step, step)
        for task in own
        for other, owner in rest
        if set(task.a) & set(other.a) - plant
        for step in [_common(task.period, other.period)]
    }
    period, periods = item.timing().period, [task.period for task, _ in rest]
    whole = _common(period, reduce(_multiple, periods)) if periods else period
    return _Clock(item.name, item.phase, period, whole, tuple(meetings))


def _clocked(description: Description) -> list:  # type: ignore[type-arg]
    return [*description.line, *description.loop, *description.hop]


def _common(one: Fraction, other: Fraction) -> Fraction:
    """Return the greatest common divisor of two periods."""
    scale = lcm(one.denominator, other.denominator)
    return Fraction(gcd(int(one * scale), int(other * scale)), scale)


def _multiple(one: Fraction, other: Fraction) -> Fraction:
    """Return the least common multiple of two periods."""
    return one * other / _common(one, other)


def _shifted(description: Description, phases: dict[str, Fraction]) -> Description:
    def moved(items: tuple) -> tuple:  # type: ignore[type-arg]
        return tuple(
            replace(item, phase=phases[item.name]) if item.name in phases else item for item in items
        )

    return replace(
        description, line=moved(description.line), loop=moved(description.loop), hop=moved(description.hop)
    )
