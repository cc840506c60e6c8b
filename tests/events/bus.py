"""What must have happened on the bus of a plan: a replay of its frames."""

from collections.abc import Iterator
from typing import Any

from logs import Log, UndecidedError, at
from plans import PM_PERIOD, RECORD, SAMPLE, Plan

from busframes import arrivals, newest

__all__ = ["frames"]


def frames(plan: Plan, log: Log) -> Iterator[str]:
    """Replay the bus: what its reader sees at every tick, and how old that is."""
    bus, traces = plan.bus, log.traces
    command = bus["carries"] == "torque"
    source, seen = ("torque.output", "load.command_active") if command else ("reading", "bus.value")
    times = {fault["name"]: [tick for tick, _ in log.of(fault["name"])] for fault in plan.faults}

    def lasting(on: str, tick: int) -> list[dict[str, Any]]:
        """Return what has failed of a part, loop or bus at a tick, the last failure last."""
        now = []
        for fault in plan.faults:
            begin, end = (*times[fault["name"]], log.end, log.end)[:2]
            first = begin + ("when" in fault)  # The age is seen behind the loop, which has run at this tick.
            if fault["on"] == on and first <= tick < end:
                now.append((begin, fault))
        return [fault for _, fault in sorted(now, key=lambda entry: entry[0])]

    def late(tick: int) -> tuple[str, int]:
        now = [fault for fault in lasting("bus", tick) if "lateness" in fault]
        return (now[-1]["kind"], now[-1]["lateness"]) if now else ("", 0)

    ticks = range(bus["phase"], log.end, bus["period"])
    sent = [tick for tick in ticks if all(fault["kind"] != "lost" for fault in lasting("bus", tick))]
    come = arrivals(sent, bus["transport"], late, 0)
    stamps = [0]
    for tick in sent:
        stamps.append(stamps[-1] if command and lasting("torque", tick) else tick)
    changed = [tick for fault in plan.faults if fault["on"] == "ts" for tick in times[fault["name"]]]
    if any(0 < tick - taken <= RECORD for tick in changed for taken in sent):
        raise UndecidedError  # The record shows what failed since.
    for tick in range(0, log.end - 2 * RECORD, PM_PERIOD if command and plan.wound else SAMPLE):
        frame = newest(come, tick)
        if at(traces["bus.age"], tick, 1) != (tick - stamps[frame + 1]) / 1e9:
            yield f"the frame is {at(traces['bus.age'], tick, 1)} s old at {tick} ns"
            return
        value = at(traces[source], sent[frame], 1) if frame >= 0 else 0.0
        taken_over = command and any(times[fault["name"]] for fault in plan.faults if fault["on"] == "load")
        if not taken_over and at(traces[seen], tick, 1) != value:
            yield f"{at(traces[seen], tick, 1)} is read at {tick} ns in place of {value}"
            return
