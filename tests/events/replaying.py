"""What must have happened in a run, from dense records alone: plain Python, nothing of the simulator.

Every interlock and every condition is replayed on the recorded signals; what the run noted must be that, no
more and no less, each at its tick. What the records cannot tell, a level that is touched, a dwell as long
as its debounce, is undecided and counted.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from math import exp, hypot, isfinite
from typing import Any

from bus import frames
from logs import Log, UndecidedError, at
from plans import LAG, PM_PERIOD, RECORD, SAMPLE, Plan
from sensing import readings

__all__ = ["Verdict", "judge"]

Change = tuple[float, bool, float]
"""Tick [ns], whether above from there on, how far the tick may be off [ns]."""
_ACTED = {
    "short": "shorted",
    "pulses_off": "pulses_off",
    "resistor_on": "resistor_on",
    "contactor_open": "contactor_open",
}
_LOST = {0.0: "lost", 0.7: "sags", 1.0: "returned"}


@dataclass
class Verdict:
    """What is wrong with a run."""

    wrong: list[str] = field(default_factory=list)
    undecided: int = 0


def judge(plan: Plan, log: Log) -> Verdict:
    """Return what is wrong with a run."""
    verdict = Verdict()
    for name, trace in log.traces.items():
        if not all(map(isfinite, trace)):
            verdict.wrong.append(f"{name} is not finite")
    if log.end == 0:
        return verdict
    off: list[tuple[int, int, str]] = []
    checks = [partial(_sequence, plan, log, off)]
    checks += [partial(_limit, plan, log, limit, off) for limit in plan.limits]
    checks += [partial(_fault, plan, log, fault) for fault in plan.faults]
    checks += [partial(_effect, plan, log, fault) for fault in plan.faults]
    checks.append(partial(readings, plan, log))
    checks += [partial(frames, plan, log)] if plan.bus else []
    for check in checks:
        try:
            verdict.wrong += check()
        except UndecidedError:
            verdict.undecided += 1
    if not verdict.undecided:
        verdict.wrong += _gone(plan, log, off)
    return verdict


def _same(expected: list[tuple[float, str, float]], noted: list[tuple[int, str]], end: int) -> Iterator[str]:
    """Yield where events and what was expected differ; each expected one with its doubt [ns]."""
    edge = [entry for entry in expected if abs(entry[0] - end) <= entry[2]]
    expected = [entry for entry in expected if entry[0] < end and entry not in edge]
    if len(noted) > len(expected) and (edge or noted[len(expected)][0] >= end - RECORD):
        raise UndecidedError
    for number, (time, kind, doubt) in enumerate(expected):
        if number >= len(noted):
            yield f"{kind} at {time:.0f} ns +- {doubt:.0f} did not happen: {noted}"
            return
        tick, what = noted[number]
        if what != kind or abs(tick - time) > doubt:
            yield f"{kind} at {time:.0f} ns +- {doubt:.0f} expected, {what} at {tick} noted"
            return
    if len(noted) > len(expected):
        yield f"{noted[len(expected)]} should not have happened"


def _limit(plan: Plan, log: Log, limit: dict[str, Any], off: list[tuple[int, int, str]]) -> Iterator[str]:
    """Replay an interlock."""
    name = limit["name"]
    expected = list(_met(plan, log, limit))
    noted = log.of(name)
    asleep = min(
        (tick for fault in plan.faults if fault["on"] == name for tick, _ in log.of(fault["name"])),
        default=None,
    )
    if expected and expected[-1][1] == "tripped":
        time, _, doubt = expected[-1]
        # What was noted is exact; the records only say nearly when.
        trip = next((tick for tick, kind in noted if kind in ("tripped", "did_not_act")), None)
        if trip is not None and abs(trip - time) <= doubt:
            time = trip
        if asleep is not None and asleep <= time:
            expected[-1] = time, "did_not_act", doubt
        elif asleep is not None and asleep <= time + limit["reaction"]:
            expected.append((time + limit["reaction"], "did_not_act", doubt))
        elif limit["action"] in _ACTED:
            expected.append((time + limit["reaction"], _ACTED[limit["action"]], doubt))
        elif abs(time + limit["reaction"] - log.end) <= doubt:
            raise UndecidedError  # The run ends where it would act.
        elif time + limit["reaction"] < log.end:
            over = limit.get("ramp_time", 0)
            off.append((int(time) + limit["reaction"], over, name))
    yield from (f"{name}: {wrong}" for wrong in _same(expected, _without_off(noted), log.end))


def _without_off(noted: list[tuple[int, str]]) -> list[tuple[int, str]]:
    return [entry for entry in noted if entry[1] not in ("torque_off", "ramp_down")]


def _met(plan: Plan, log: Log, condition: dict[str, Any]) -> Iterator[tuple[float, str, float]]:
    """Yield when a level is exceeded, cleared, and in the end long enough exceeded, with the doubts [ns]."""
    below, debounce = "below" in condition, condition["debounce"]
    changes, close = _changes(plan, log, condition)
    if below:
        while changes and not changes[0][1]:
            changes.pop(0)
        first = changes[0][0] if changes else log.end
        _decide(close, 0.0, first)
        changes = changes[1:]
        since = first
    else:
        since = 0.0
    while changes:
        time, above, doubt = changes.pop(0)
        if above == below:
            continue
        _decide(close, since, time)
        yield time, "exceeded", doubt
        back = changes[0] if changes else (float("inf"), below, 0.0)
        if debounce and abs(back[0] - time - debounce) <= doubt + back[2] + 1.0:
            raise UndecidedError
        if back[0] > time + debounce or debounce == 0:
            _decide(close, time, time + debounce)
            yield time + debounce, "tripped", doubt
            return
        _decide(close, time, back[0])
        yield back[0], "cleared", back[2]
        since = back[0]
    _decide(close, since, log.end)


def _decide(close: list[float], begin: float, end: float) -> None:
    """Give up where a signal touches its level between two instants, away from both."""
    if any(begin + 2 * RECORD < time < end - 2 * RECORD for time in close):
        raise UndecidedError


def _changes(plan: Plan, log: Log, condition: dict[str, Any]) -> tuple[list[Change], list[float]]:
    """Return when a signal passes its level, and when it comes too near to it to tell.

    A band is a level on either side of its middle; a signal that starts outside has to come in first.
    """
    level = next(condition[key] for key in ("above", "below", "jump", "outside") if key in condition)
    watches, quantity, jump = condition["watches"], condition["quantity"], "jump" in condition
    traces, waits, middle = log.traces, "outside" in condition, 0.0
    if waits:
        level, middle = 0.5 * (level[1] - level[0]), 0.5 * (level[0] + level[1])
    if quantity == "current":
        pairs = zip(traces["load.current_d"], traces["load.current_q"], strict=True)
        sizes = [hypot(*pair) - middle for pair in pairs]
        return _sampled(sizes, level, PM_PERIOD, 0, log.end, waits), []
    if quantity == "age":
        wound = plan.wound and plan.bus["carries"] == "torque"
        return _sampled(traces["bus.age"], level, PM_PERIOD if wound else SAMPLE, 1, log.end), []
    if quantity == "speed_difference":
        right = traces["hub.speed" if watches == "c" else "load_speed"]
        left = traces["hub.speed" if watches == "ts" and plan.three else "drive_speed"]
        apart = [a - b - middle for a, b in zip(left, right, strict=True)]
        return _sampled(apart, level, SAMPLE, 0, log.end, waits), []
    if (watches, quantity) == ("ts", "reading"):
        failed = [tick for fault in plan.faults if fault["on"] == "ts" for tick, _ in log.of(fault["name"])]
        if any(tick % SAMPLE < RECORD for tick in failed):
            raise UndecidedError  # The record shows the reading that failed at this tick, not what was seen.
        told = [value - middle for value in traces["reading"]]
        if not jump:
            return _sampled(told, level, SAMPLE, 1, log.end, waits), []
        seen = [at(told, tick, 1) for tick in range(0, log.end + 1, SAMPLE)]
        steps = [b - a for a, b in zip([0.0, *seen], seen, strict=False)]
        return _toggles([(k * SAMPLE, value) for k, value in enumerate(steps)], level), []
    channel = {"true_torque": "true_torque", "voltage": "link_voltage"}.get(quantity, f"{watches}_speed")
    breaks = [tick for tick, kind, _ in log.events if kind in ("failed", "restored", *_ACTED.values())]
    return _continuous([value - middle for value in traces[channel]], level, breaks, waits)


def _sampled(
    trace: list[float], level: float, period: int, behind: int, end: int, waits: bool = False
) -> list[Change]:
    samples = [(tick, at(trace, tick, behind)) for tick in range(0, end + 1, period)]
    return _toggles(samples, level, waits and abs(trace[0]) > level)


def _toggles(samples: list[tuple[int, float]], level: float, above: bool = False) -> list[Change]:
    found: list[Change] = []
    for tick, value in samples:
        if (abs(value) > level) != above:
            above = not above
            found.append((float(tick), above, 0.0))
    return found


def _continuous(
    trace: list[float], level: float, breaks: list[int], waits: bool
) -> tuple[list[Change], list[float]]:
    """Return the crossings of a signal between its records, and where it turns around close to its level."""
    found: list[Change] = []
    close: list[float] = []
    above = abs(trace[0]) > level
    if above and not waits:
        found.append((0.0, True, 1.0))
    for i in range(len(trace) - 1):
        a, b = trace[i], trace[i + 1]
        if (abs(a) > level) != (abs(b) > level):
            above = abs(b) > level
            target = level if max(a, b) > level else -level
            near = any(i * RECORD - RECORD <= tick <= (i + 2) * RECORD for tick in breaks)
            found.append(_root(trace, i, target, above, near))
        elif 0 < i < len(trace) - 2:
            reach = 0.3 * max(abs(trace[i - 1] - 2.0 * a + b), abs(a - 2.0 * b + trace[i + 2])) + 1e-9 * level
            if any(i * RECORD <= tick <= (i + 1) * RECORD for tick in breaks):
                reach += abs(a - trace[i - 1])  # It may have turned around there.
            apart = min(abs(abs(a) - level), abs(abs(b) - level))
            # With opposite signs beyond the level on both sides it is left and passed again in between.
            if apart <= reach or (a * b < 0.0 and min(abs(a), abs(b)) > level):
                close.append((i + 0.5) * RECORD)
    return found, close


def _root(trace: list[float], i: int, target: float, above: bool, near: bool) -> Change:
    """Return where a signal passes a level between records i and i + 1, by a cubic through four of them."""
    a, b = trace[i] - target, trace[i + 1] - target
    straight = a / (a - b)
    if near or not 0 < i < len(trace) - 2:
        return (i + straight) * RECORD, above, 1.0 * RECORD
    p, q = trace[i - 1] - target, trace[i + 2] - target

    def cubic(x: float) -> float:
        return (
            -p * x * (x - 1) * (x - 2) / 6
            + a * (x + 1) * (x - 1) * (x - 2) / 2
            - b * (x + 1) * x * (x - 2) / 2
            + q * (x + 1) * x * (x - 1) / 6
        )

    low, high = 0.0, 1.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if (cubic(middle) > 0.0) == (a > 0.0) else (low, middle)
    return (i + low) * RECORD, above, 3.0 + 0.2 * abs(low - straight) * RECORD


def _fault(plan: Plan, log: Log, fault: dict[str, Any]) -> Iterator[str]:
    """Check when something fails and is restored."""
    noted = log.of(fault["name"])
    if "when" in fault:
        met = [entry for entry in _met(plan, log, fault["when"]) if entry[1] == "tripped"]
        expected = [(time, "failed", doubt) for time, _, doubt in met]
    else:
        expected = [(fault["at"], "failed", 0.0)]
        expected += [(fault["until"], "restored", 0.0)] if "until" in fault else []
    yield from (f"{fault['name']} {fault['kind']}: {wrong}" for wrong in _same(expected, noted, log.end))


def _sequence(plan: Plan, log: Log, off: list[tuple[int, int, str]]) -> Iterator[str]:
    """Replay the sequence: waits are exact, a wait until settled lasts as long as was noted."""
    now, expected = 0, []
    settled = [entry for entry in log.of("torque") if entry[1] in ("settled", "not_settled")]
    for step in plan.sequence:
        do = step["do"]
        if do == "grid":
            expected.append((now, _LOST[step["to"]], "grid"))
        elif do == "end":
            expected.append((now, "ended", "sequence"))
            break
        elif do == "settle":
            if not settled:
                if now + step["timeout"] < log.end:
                    yield f"the wait from {now} ns has no end"
                break
            until, kind = settled.pop(0)
            if any(fault["on"] == "torque" for fault in plan.faults):
                raise UndecidedError  # A loop that stalls keeps its last error.
            yield from _settles(plan, log, step, now, until, kind)
            now = until
        now += _taken(step)
        if do in ("trip", "emergency_stop") and now < log.end:
            off.append((now, step.get("ramp_time", 0), "sequence"))
    for event in expected:
        if event[0] < log.end and event not in log.events:
            yield f"{event} did not happen"


def _taken(step: dict[str, Any]) -> int:
    """Return how long a step lasts whose end is known [ns]."""
    if step["do"] == "ramp":
        return step["over"] if step["wait"] else 0
    return {"hold": step.get("time"), "emergency_stop": step.get("over")}.get(step["do"]) or 0


def _settles(plan: Plan, log: Log, step: dict[str, Any], begin: int, end: int, kind: str) -> Iterator[str]:
    """Check a wait from the records of set-point and reading at the ticks of the loop."""
    if kind == "not_settled":
        if end != begin + step["timeout"]:
            yield f"the time of a wait was up at {end}, not {begin + step['timeout']} ns"
        return
    inside = range(-(-(end - step["dwell"]) // SAMPLE) * SAMPLE, end, SAMPLE)
    seen = log.traces["bus.value" if plan.bus.get("carries") == "ts" else "reading"]
    errors = [abs(at(log.traces["torque_setpoint"], tick, 1) - at(seen, tick, 1)) for tick in inside]
    if end - step["dwell"] < begin or max(errors, default=0.0) > step["within"] * (1.0 + 1e-12):
        yield f"settled at {end} though the error was {max(errors, default=0.0)}"


def _gone(plan: Plan, log: Log, off: list[tuple[int, int, str]]) -> Iterator[str]:
    """Check who took the torque away, and that a servo machine has none from then on."""
    kinds = "torque_off", "ramp_down"
    noted = [(tick, kind, name) for tick, kind, name in log.events if kind in kinds and tick < log.end]
    best, open_ones = float("inf"), list(off)
    for tick, kind, name in noted:
        key = (tick, kind == "ramp_down", name)
        mine = next((entry for entry in open_ones if (entry[0], entry[1] > 0, entry[2]) == key), None)
        if mine is None:
            yield f"{name}: {kind} at {tick} ns was not due: {off}"
            return
        open_ones.remove(mine)
        if tick + mine[1] >= best:
            yield f"{name}: {kind} at {tick} ns though the torque is gone no later"
        best = tick + mine[1]
    wanted = min((time + over for time, over, _ in off), default=float("inf"))
    if wanted != best:
        yield f"the torque is gone at {best}, not at {wanted} ns: {off}"
    for machine in ("drive",) if plan.wound else ("drive", "load"):
        trace = log.traces[f"{machine}_torque"]
        first = best + SAMPLE + RECORD
        if first >= log.end:
            continue
        start = int(first // RECORD) + 1
        for k in range(start, len(trace)):
            left = abs(trace[start]) * exp(-(k - start) * RECORD * 1e-9 / LAG)
            if abs(trace[k]) > left * (1.0 + 1e-6) + 1e-12:
                yield f"{machine} makes {trace[k]} N m at {k * RECORD} ns, after the torque has gone"
                break


def _effect(plan: Plan, log: Log, fault: dict[str, Any]) -> Iterator[str]:
    """Check what a fault does to its part."""
    times = log.of(fault["name"])
    if not times:
        return
    begin = times[0][0]
    end = times[1][0] if len(times) > 1 else log.end
    inside = slice(begin // RECORD + 1, end // RECORD + 1)
    on, kind, traces = fault["on"], fault["kind"], log.traces
    still = {"broken": f"{on}_torque", "blocked": "hub.speed" if on == "hub" else f"{on}_speed"}
    still |= {"zero": "reading"}
    acted = {"speed": "drive", "torque": "load"}.get(on, on)
    others = [other for other in plan.faults if other is not fault and other["on"] in (on, acted)]
    if kind in still and any(traces[still[kind]][inside]) and not others:
        yield f"{fault['name']}: {on} is {kind} and goes on"
    held = {"stuck": "reading", "full_scale": "reading", "stalled": f"{on}_command"}
    others += [plan.bus] if on == "torque" and plan.bus.get("carries") == "torque" else []
    if kind in held and not others and len(set(traces[held[kind]][inside.start + 1 : inside.stop])) > 1:
        yield f"{fault['name']}: {on} is {kind} and changes"
