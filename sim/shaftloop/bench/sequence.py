"""The sequence and the limits of a scenario in the engine's terms."""

import math
from fractions import Fraction

from shaftloop.bench.handles import Bench
from shaftloop.engine import events as engine
from shaftloop.engine.compiled.setpoints import HOLD, PERIODIC, RAMP, SINE, TRACE
from shaftloop.engine.model import Condition
from shaftloop.scenario import description as stated
from shaftloop.scenario.timing import sequence_length

__all__ = ["MOST_CYCLES", "actions", "cycle_time", "duty_cycles", "interlocks", "longest_time"]

MOST_CYCLES = 26
"""Of a duty that are run; what lies between them is extrapolated."""


def actions(bench: Bench) -> list[engine.Action]:
    """Return the actions of a bench's sequence."""
    result: list[engine.Action] = []
    for i, step in enumerate(bench.description.sequence):
        match step:
            case stated.Settle():
                guard = next(k for k, g in enumerate(bench.model.guards) if g.name == f"settle.{i}")
                result.append(engine.Settle(step.loop, guard, step.dwell, step.timeout))
            case stated.Hold():
                result.append(engine.Wait(step.time))
            case stated.Trip():
                result.append(engine.Trip(_ramp(step)))
            case stated.EmergencyStop():
                result.extend(_stop(bench, step))
            case stated.End():
                result.append(engine.End())
            case stated.Grid():
                kind = "lost" if step.to == 0.0 else "sags" if step.to < 1.0 else "returned"
                result.append(
                    engine.Move(bench.link.profile, HOLD, (), (step.to - 1.0,), event=(kind, "grid"))
                )
            case _:
                traces = sum(isinstance(before, stated.Trace) for before in bench.description.sequence[:i])
                result.extend(_move(step, bench.loops[step.loop].profile, traces))
    end, waited = sequence_length(bench.description.sequence)
    if end > waited:
        # What overlaps the last steps is part of the sequence.
        result.append(engine.Wait(end - waited))
    return result


def _stop(bench: Bench, step: stated.EmergencyStop) -> list[engine.Action]:
    """Return the actions of an emergency stop: torque off, in category 1 behind a ramp of all set-points."""
    if step.category == 0:
        return [engine.Trip(Fraction(0))]
    followed = [loop.profile for loop in bench.loops.values() if loop.setpoint_slot >= 0]
    moves = [engine.Move(profile, RAMP, (step.over,), (0.0,)) for profile in followed]
    return [*moves, engine.Wait(step.over), engine.Trip(Fraction(0))]


def _ramp(entry: stated.Trip | stated.Limit) -> Fraction:
    """Return the time [s] over which a trip takes the torque away."""
    return entry.ramp_time if entry.action == "ramp_down" else Fraction(0)


def _move(step: stated.Move, profile: int, trace: int) -> list[engine.Action]:
    """Return the actions of a step that moves a set-point."""
    if isinstance(step, stated.Step):
        return [engine.Move(profile, HOLD, (), (step.to,))]
    if isinstance(step, stated.Ramp):
        time: Fraction | None = step.over
        move = engine.Move(profile, RAMP, (step.over,), (step.to,))
    elif isinstance(step, stated.PeriodicStep):
        counts = (step.period, step.rise, step.fall)
        move, time = engine.Move(profile, PERIODIC, counts, (step.low, step.high)), step.time
    elif isinstance(step, stated.Sine):
        move, time = engine.Move(profile, SINE, (), (step.mean, step.amplitude, step.frequency)), step.time
    else:
        move, time = engine.Move(profile, TRACE, (Fraction(trace),)), Fraction(step.times[-1])
    return [move, engine.Wait(time)] if step.wait and time is not None else [move]


def interlocks(bench: Bench) -> list[engine.Interlock]:
    """Return the interlocks of a bench."""
    return [
        engine.Interlock(
            limit.name,
            Condition(guard, limit.below is not None, limit.debounce, limit.outside is not None),
            limit.reaction,
            bench.switches.get(limit.name, engine.Trip(_ramp(limit))),
        )
        for guard, limit in enumerate(bench.description.limit)
    ]


def cycle_time(description: stated.Description) -> Fraction:
    """Return the length of a cycle of a duty: that of the sequence [s]."""
    return sequence_length(description.sequence)[0]


def duty_cycles(description: stated.Description) -> int:
    """Return the number of cycles of a duty, the last one whole; 0 without a duty."""
    return 0 if description.duty is None else math.ceil(description.duty / cycle_time(description))


def longest_time(description: stated.Description) -> float:
    """Return the longest time that a run can take, infinite where a step has no end [s].

    Of a duty that is the time of the cycles that are run, at most.
    """
    if description.duty is not None:
        return float(min(duty_cycles(description) + 1, MOST_CYCLES) * cycle_time(description))
    if description.duration is not None:
        return float(description.duration)
    endless = False
    for step in description.sequence:
        if isinstance(step, stated.End):
            endless = False
            break
        endless |= isinstance(step, stated.PeriodicStep | stated.Sine) and step.time is None
    if endless:
        return math.inf
    return float(sequence_length(description.sequence)[0])
