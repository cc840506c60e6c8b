"""What the torque sensor of a plan must have said."""

from collections.abc import Iterator

from logs import Log, at
from plans import RANGE, RECORD, SAMPLE, Plan

__all__ = ["readings"]


def readings(plan: Plan, log: Log) -> Iterator[str]:
    """Check what the sensor says against its torque, as long as nothing but a shift or a drift is wrong."""
    failed = [(fault, log.of(fault["name"])) for fault in plan.faults if fault["on"] == "ts"]
    ends = [times[0][0] for fault, times in failed if times and not {"by", "rate"} & fault.keys()]
    # Taken at a tick, there its latency later, and recorded behind that.
    for tick in range(0, min([log.end, *ends]) - plan.latency * SAMPLE - RECORD, SAMPLE):
        if any("when" in fault and times and times[0][0] == tick for fault, times in failed):
            continue  # What fails on a reading has not failed when it is taken.
        value = log.traces["true_torque"][tick // RECORD]
        for fault, times in failed:
            if times and times[0][0] <= tick and (len(times) == 1 or tick < times[1][0]):
                value += fault["by"] if "by" in fault else 1e-9 * (tick - times[0][0]) * fault["rate"]
        value = max(min(value, RANGE), -RANGE)
        told = at(log.traces["reading"], tick + plan.latency * SAMPLE, 1)
        if abs(told - value) > 1e-9:
            yield f"the reading taken at {tick} ns is {told}, not {value}"
            return
