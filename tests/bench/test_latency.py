"""How long a value travels: samplers, hops, controllers and drives, worked out in whole ticks."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from rigs import describe, sensor, servo, torque_loop
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench

Array = NDArray[np.float64]
RECORD = 12_500
"""Interval of the records, 80 kHz [ns]."""

WAVE = {
    "do": "sine",
    "loop": "torque",
    "mean": "5 N m",
    "amplitude": "4 N m",
    "frequency": "90 Hz",
    "wait": False,
}


def rig(
    part: dict[str, Any], *hops: dict[str, Any], channels: tuple[str, ...] = (), **loop: Any
) -> Simulation:
    keys: dict[str, Any] = {"reads": hops[-1]["name"] if hops else "ts", **loop}
    line = [servo("drive", 0.05), sensor("ts", 2e4, **part), servo("load", 0.1)]
    document: dict[str, Any] = {
        "duration": "6 ms",
        "line": line,
        "loop": [{**torque_loop("drive", "ts"), **keys}],
        "sequence": [WAVE],
        "record": {"rate": "80 kHz", "channels": list(channels)},
    }
    if hops:
        document["hop"] = list(hops)
    return simulate(describe(document))


def delivered(times: Array, values: Array, sent: NDArray[np.int64], latency: int, strictly: bool) -> Array:
    """Return the value last delivered before (or at) each time; values holds one per sending tick."""
    arrival = sent + latency
    found = np.searchsorted(arrival, times, side="left" if strictly else "right") - 1
    return np.where(found >= 0, values[np.maximum(found, 0)], 0.0)


def seen(result: Simulation, name: str, ticks: NDArray[np.int64]) -> Array:
    """Return a plant quantity at ticks that fall on records."""
    assert not np.any(ticks % RECORD)
    return result.traces[name][ticks // RECORD]


@pytest.mark.parametrize(
    ("latency", "phase"),
    [
        ("0 s", 0),
        ("125 us", 0),
        ("3 samples", 25_000),
        ("180 us", 0),
        ("37.5 us", 100_000),
        ("300 us", 112_500),
    ],
)
def test_reading_is_the_sample_of_a_latency_ago(latency: str, phase: int) -> None:
    result = rig({"sampling": "8 kHz", "latency": latency, "phase": f"{phase} ns"})
    number, unit = latency.split()
    nanoseconds = round(float(number) * {"s": 1e9, "us": 1e3, "samples": 125_000}[unit])
    records = np.arange(len(result.time)) * RECORD
    sent = np.arange(phase, records[-1], 125_000)
    values = seen(result, "true_torque", sent)
    known = delivered(records, values, sent, nanoseconds, strictly=True)
    assert np.abs(known).max() > 1.0
    assert np.array_equal(result.traces["reading"], known)


@pytest.mark.parametrize("transport", [0, 50_000, 250_000, 700_000])
def test_hop_takes_what_is_there_and_delivers_it_later(transport: int) -> None:
    hop = {
        "name": "bus",
        "carries": "ts",
        "period": "250 us",
        "phase": "62.5 us",
        "transport": f"{transport} ns",
    }
    result = rig({"sampling": "8 kHz", "latency": "100 us"}, hop, channels=("bus.value",))
    records = np.arange(len(result.time)) * RECORD
    samples = np.arange(0, records[-1], 125_000)
    hops = np.arange(62_500, records[-1], 250_000)
    taken = delivered(hops, seen(result, "true_torque", samples), samples, 100_000, strictly=False)
    known = delivered(records, taken, hops, transport, strictly=True)
    assert np.abs(known).max() > 1.0
    assert np.array_equal(result.traces["bus.value"], known)


def test_two_hops_in_a_row_at_one_instant_pass_the_value_on() -> None:
    """Sensor, first hop and second hop run in this order at one instant."""
    first = {"name": "one", "carries": "ts", "period": "125 us"}
    second = {"name": "two", "carries": "one", "period": "125 us"}
    result = rig({"sampling": "8 kHz"}, second, first, channels=("one.value", "two.value"), reads="two")
    assert np.abs(result.traces["two.value"]).max() > 1.0
    assert np.array_equal(result.traces["two.value"], result.traces["reading"])
    assert np.array_equal(result.traces["one.value"], result.traces["reading"])


@pytest.mark.parametrize(
    ("latency", "nanoseconds", "phase"),
    [("1 sample", 100_000, 0), ("0 s", 0, 0), ("130 us", 130_000, 0), ("130 us", 130_000, 37_500)],
)
def test_command_becomes_active_after_the_latency_of_its_loop(
    latency: str, nanoseconds: int, phase: int
) -> None:
    """The drive's own ticks come at 80 kHz, so its torque follows at once; it lags by 1 µs."""
    part = {"sampling": "8 kHz"}
    keys: dict[str, Any] = {"output_latency": latency, "rate": "10 kHz", "phase": f"{phase} ns"}
    result = rig(part, **keys, channels=("drive.command_active",))
    records = np.arange(len(result.time)) * RECORD
    sent = np.arange(phase, records[-1], 100_000)
    known = delivered(
        records, result.traces["torque_setpoint"][sent // RECORD], sent, nanoseconds, strictly=True
    )
    assert np.allclose(result.traces["drive.command_active"], known, rtol=0, atol=1e-12)


def test_command_travels_over_a_hop() -> None:
    hop = {"name": "bus", "carries": "torque", "period": "250 us", "transport": "75 us"}
    result = rig({"sampling": "8 kHz"}, hop, reads="ts", channels=("drive.command_active",))
    records = np.arange(len(result.time)) * RECORD
    taken, ticks = np.arange(0, records[-1], 250_000), np.arange(0, records[-1], 100_000)
    asked = delivered(taken, result.traces["torque_setpoint"][ticks // RECORD], ticks, 0, strictly=False)
    known = delivered(records, asked, taken, 75_000, strictly=True)
    assert np.allclose(result.traces["drive.command_active"], known, rtol=0, atol=1e-12)


def test_dead_time_of_a_drive() -> None:
    """Command to torque: 3 ticks of the drive, then a lag of 1 µs."""
    line = [servo("drive", 0.05, dead_time="3 samples", rate="8 kHz"), sensor("ts", 2e4), servo("load", 0.1)]
    document = {
        "duration": "6 ms",
        "line": line,
        "loop": [torque_loop("drive", "ts", rate="8 kHz")],
        "sequence": [WAVE],
        "record": {"rate": "8 kHz"},
    }
    result = simulate(describe(document))
    torque, asked = result.traces["drive_torque"], result.traces["torque_setpoint"]
    assert torque[4:] == pytest.approx(asked[:-4], abs=1e-9)
    assert not torque[:4].any()


def test_delay_lines_hold_what_is_on_its_way() -> None:
    """One slot per sample that is under way at once."""
    for latency, depth in (("0 s", 0), ("1 sample", 1), ("130 us", 2), ("3 samples", 3)):
        line = [
            servo("drive", 0.05),
            sensor("ts", 2e4, sampling="8 kHz", latency=latency),
            servo("load", 0.1),
        ]
        bench = build_bench(describe({"duration": "1 s", "line": line, "loop": [torque_loop("drive", "ts")]}))
        assert sum(slot.kind.value == "delay" for slot in bench.model.layout.slots) == depth


def test_tasks_of_one_instant_run_in_the_written_order() -> None:
    hop = {"name": "bus", "carries": "ts", "period": "500 us"}
    line = [servo("drive", 0.05), sensor("ts", 2e4, latency="1 sample"), servo("load", 0.1)]
    loop = torque_loop("drive", "bus", output_latency="1 sample")
    bench = build_bench(describe({"duration": "1 s", "line": line, "hop": [hop], "loop": [loop]}))
    ordered = sorted(bench.model.tasks, key=lambda task: task.priority)
    assert [task.name for task in ordered] == [
        "record",
        "ts.deliver",
        "torque.command.deliver",
        "ts.sample",
        "bus",
        "torque",
        "drive.drive",
        "load.drive",
    ]
    assert all(a.priority <= b.priority for a, b in pairwise(ordered))
