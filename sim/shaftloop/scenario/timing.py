"""Checks in time: the sequence, the length of the run, and the tick that all rates have in common."""

import math
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import NamedTuple

from shaftloop.scenario.description import (
    EmergencyStop,
    End,
    Grid,
    Hold,
    Move,
    PeriodicStep,
    Ramp,
    SequenceStep,
    Settle,
    Sine,
    Step,
    Stop,
    Trace,
    Trip,
)
from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.loopchecks import check_levels
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.references import loop_kind

__all__ = [
    "MAX_INSTANTS",
    "MAX_TICK_DIVISOR",
    "MAX_WAITING",
    "TimedKey",
    "check_timing",
    "sequence_length",
    "tick_divisor",
]

NANOSECOND = Fraction(1, 10**9)
"""[s]"""
MAX_TICK_DIVISOR = 1000
"""Largest divisor of 1 ns that a tick may have: no tick below 1 ps."""
MAX_WAITING = 10_000
"""Most values that a delay line may hold."""
MAX_INSTANTS = 2_000_000_000
"""Largest number of task instants of a run."""


class TimedKey(NamedTuple):
    """A period, phase or latency that must be a whole number of ticks."""

    path: KeyPath
    time: Fraction
    """[s]"""
    is_period: bool


def tick_divisor(times: Sequence[Fraction]) -> int:
    """Return the smallest d for which every time [s] is a whole number of ticks of 1 ns/d."""
    return math.lcm(*(_divisor(time) for time in times))


def _divisor(time: Fraction) -> int:
    """Return the denominator of a time in nanoseconds."""
    return time.denominator // math.gcd(time.denominator, 10**9)


def check_timing(draft: Draft, problems: Problems) -> None:
    """Add everything that is wrong with rates, sequence and length of the run."""
    moments = [
        moment
        for key in ("line", "loop", "hop", "power_meter")
        for entry in draft.lists[key]
        for moment in _moments(entry)
    ]
    record = draft.single.get("record")
    if record is not None and record.rate is not None:
        moments.append(TimedKey(("record", "rate"), 1 / record.rate, True))
    supply = draft.single.get("supply")
    clock = None if supply is None else supply.timing()
    if clock is not None:
        moments.append(TimedKey(("supply", clock.keys[0]), clock.period, True))
        moments.append(TimedKey(("supply", clock.keys[2]), clock.latency, False))
    _check_tick(moments, problems)
    _check_delays(moments, problems)
    for entry in draft.lists["sequence"]:
        _check_step(draft, entry, problems)
    _check_order(draft.lists["sequence"], problems)
    for entry in (*draft.lists["sequence"], *draft.lists["limit"], *draft.lists["fault"]):
        _check_resolution(entry, problems)
    if draft.single:
        _check_length(draft, moments, problems)


def _moments(entry: Entry) -> Iterator[TimedKey]:
    clock = entry.clock
    if clock is None:
        return
    rate, phase, latency = ((*entry.path, *clock.table, key) for key in clock.keys)
    yield TimedKey(rate, clock.period, True)
    yield TimedKey(latency, clock.latency, False)
    yield TimedKey(phase, clock.phase, False)


def _check_tick(moments: list[TimedKey], problems: Problems) -> None:
    if tick_divisor([moment.time for moment in moments]) <= MAX_TICK_DIVISOR:
        return
    odd = [moment for moment in moments if tick_divisor([moment.time]) > 1]
    alone = [moment for moment in odd if tick_divisor([moment.time]) > MAX_TICK_DIVISOR]
    for moment in alone:
        problems.error(
            moment.path,
            f"{_said(moment)} is a time of {float(moment.time / NANOSECOND):.15g} ns, which needs a tick "
            "finer than 1 ps; choose a rounder value",
        )
    if not alone:
        names = ", ".join(f"{problems.display(m.path)} ({_said(m)})" for m in odd)
        problems.error(
            odd[0].path,
            f"the common tick of {names} would be finer than 1 ps; choose rates that divide each other",
        )


def _check_delays(moments: list[TimedKey], problems: Problems) -> None:
    """Check that what waits in a delay line, one value per period of its sender, can be kept."""
    period = None
    for moment in moments:
        if moment.is_period:
            period = moment
        elif period is not None and moment.path[-1] != "phase" and moment.time > MAX_WAITING * period.time:
            problems.error(
                moment.path,
                f"{_said(moment)} at {_said(period)}: {float(moment.time / period.time):.3g} values wait; "
                f"allowed: at most {MAX_WAITING}; shorten it to {float(MAX_WAITING * period.time):g} s",
            )


def _said(moment: TimedKey) -> str:
    return f"{float(1 / moment.time):.12g} Hz" if moment.is_period else f"{float(moment.time):.12g} s"


def _check_step(draft: Draft, entry: Entry, problems: Problems) -> None:
    """Check the loop that a step of the sequence speaks to, and its levels."""
    step, name = entry.value, entry.text("loop")
    loop = draft.find(name, ["loop"])
    if name and loop is None:
        known = [found.name for found in draft.lists["loop"] if "limiter_of" not in found.raw]
        problems.error(
            entry.at("loop"), f"no loop {shown(name)}{nearest(name, known)}; known: {', '.join(known)}"
        )
    elif loop is not None and "limiter_of" in loop.raw:
        problems.error(
            entry.at("loop"), f"{name} is a limiter and takes no set-point; name the loop it limits"
        )
    elif loop is not None and step is not None:
        kind = loop_kind(draft, loop)
        if kind == "voltage":
            problems.error(
                entry.at("loop"), f"{name} keeps supply.voltage and takes no set-point; change that"
            )
        elif kind:
            check_levels(entry, kind, problems)
    if isinstance(step, PeriodicStep) and not step.rise < step.fall <= step.period:
        problems.error(
            entry.at("fall"),
            f"must be above rise ({float(step.rise):g} s) and at most period ({float(step.period):g} s)",
        )
    if isinstance(step, Settle) and step.dwell >= step.timeout:
        problems.error(entry.at("timeout"), f"must be above dwell ({float(step.dwell):g} s)")


def _check_order(steps: Sequence[Entry], problems: Problems) -> None:
    """Warn of steps that come too late to do anything, and of a word that promises what it does not do."""
    ended: Entry | None = None
    tripped: Entry | None = None
    for entry in steps:
        step = entry.value
        if ended is not None:
            problems.warn(entry.path, f"is never reached: {problems.display(ended.path)} ends the run")
        elif tripped is not None and isinstance(step, Move | Settle):
            problems.warn(
                entry.path, f"moves nothing: {problems.display(tripped.path)} has taken the torque away"
            )
        if isinstance(step, Stop):
            problems.warn(
                entry.at("do"),
                'stop ends the run and brings nothing to rest; write "end" for that, or ramp the speed to 0',
            )
        ended = ended or (entry if isinstance(step, End) else None)
        tripped = tripped or (entry if isinstance(step, Trip | EmergencyStop) else None)


def _check_resolution(entry: Entry, problems: Problems) -> None:
    """Check that the times of steps, limits and faults are whole nanoseconds: whole ticks at any rate."""
    for key, value in vars(entry.value).items() if entry.value is not None else ():
        if isinstance(value, Fraction) and _divisor(value) != 1:
            problems.error(entry.at(key), f"{shown(entry.raw.get(key))} is finer than 1 ns; round it")


def _check_length(draft: Draft, moments: list[TimedKey], problems: Problems) -> None:
    """Check that the sequence fits the run, and that it can be computed; without an end it is none."""
    duration: Fraction | None = draft.single.get("duration")
    steps = draft.lists["sequence"]
    if any(entry.value is None for entry in steps):
        return
    if draft.single.get("duty") is not None and not _repeats(draft, problems):
        return
    if not _ends(steps, duration, problems):
        return
    length, _ = sequence_length([entry.value for entry in steps])
    run = length if duration is None else duration
    if length > run and not any(isinstance(entry.value, Settle) for entry in steps):
        problems.warn(
            ("duration",), f"the sequence takes {float(length):.6g} s, the run ends after {float(run):.6g} s"
        )
    periods = [moment for moment in moments if moment.is_period]
    instants = float(run) * sum(1.0 / float(moment.time) for moment in periods)
    if instants > MAX_INSTANTS:
        fastest = min(periods, key=lambda moment: moment.time)
        problems.error(
            ("duration",) if duration is not None else ("sequence",),
            f"{float(run):.6g} s at these rates is a run of {instants:.3g} task instants; allowed: "
            f"at most {MAX_INSTANTS:.3g}; fastest is {problems.display(fastest.path)} ({_said(fastest)}): "
            f"lower it, or shorten the run to {float(run) * MAX_INSTANTS / instants:.3g} s",
        )


def _repeats(draft: Draft, problems: Problems) -> bool:
    """Tell whether the sequence can be the cycle of a duty, which is repeated as it is."""
    steps, duty = draft.lists["sequence"], draft.single["duty"]
    again = "a duty repeats its sequence"
    if draft.single.get("duration") is not None:
        problems.error(("duration",), f"{again} for {float(duty):g} s; leave duration out")
        return False
    if draft.lists["fault"]:
        problems.error(("duty",), f"{again}, and a fault happens once; leave one of the two out")
        return False
    for entry in steps:
        if isinstance(entry.value, Settle | Trip | End) or _taken(entry.value) is None:
            what = "has no end of its own" if _taken(entry.value) is None else "is not periodic"
            problems.error(
                entry.path,
                f"{again}, and this step {what}; use steps of a stated time, e.g. a hold instead of a settle",
            )
            return False
    length, _ = sequence_length([entry.value for entry in steps])
    if not 0 < length <= duty:
        problems.error(
            ("duty",),
            f"{float(duty):g} s is shorter than the cycle of {float(length):g} s that the sequence makes"
            if length
            else "the sequence takes no time, so there is no cycle to repeat; add a hold",
        )
        return False
    return True


def _ends(steps: list[Entry], duration: Fraction | None, problems: Problems) -> bool:
    """Tell whether every step that has no end of its own may go without one."""
    for entry in steps:
        if isinstance(entry.value, End) or _taken(entry.value) is not None:
            continue
        if entry.value.wait and entry is not steps[-1]:
            problems.error(
                entry.path, "never ends, so the steps after it are never reached; give time or wait = false"
            )
            return False
        if duration is None:
            return False
    return True


def sequence_length(steps: Sequence[SequenceStep]) -> tuple[Fraction, Fraction]:
    """Return when the last step with an end is over, and when the last waiting is, at the latest [s].

    A step that does not wait overlaps those after it.
    """
    now = end = Fraction(0)
    for step in steps:
        if isinstance(step, End):
            return now, now
        taken = _taken(step) or Fraction(0)
        end = max(end, now + taken)
        now += taken if getattr(step, "wait", True) else 0
    return end, now


def _taken(step: SequenceStep) -> Fraction | None:
    """Return the time [s] that a step takes at most, nothing where it has no end."""
    match step:
        case Step() | Trip() | End() | Grid():
            return Fraction(0)
        case EmergencyStop():
            return step.taken
        case Ramp():
            return step.over
        case Hold() | PeriodicStep() | Sine():
            return step.time
        case Settle():
            return step.timeout
        case Trace():
            return Fraction(step.times[-1]) if step.times else Fraction(0)
