"""The metrics of a run: definitions, values on known traces, and what has no meaning."""

import dataclasses
import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from shaftloop.analysis import atend, grid, heatfigures, ratings, turning
from shaftloop.analysis.metrics import (
    LOSS_PREFIX,
    METRICS,
    control_end,
    metrics,
    torque_steps,
)
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.engine.events import Event
from shaftloop.scenario.reading import read_scenario

PAGE = Path(__file__).parents[2] / "docs" / "metrics.md"

REQUIRED = set(
    """
    torque_rise_time torque_overshoot torque_settling_time torque_steady_error torque_ripple_rms
    peak_true_torque peak_share_of_rating reading_error_rms reading_error_max speed_deviation_max
    drive_energy load_energy grid_energy returned_share loss_energy stored_energy energy_residual step
    """.split()
)


@pytest.fixture(scope="module")
def run() -> Simulation:
    return simulate(read_scenario("reference-bench", ["duration=0.72 s"]).description)


def with_traces(run: Simulation, **traces: np.ndarray) -> Simulation:
    return dataclasses.replace(run, traces={**run.traces, **traces})


def without_loops(run: Simulation, keep: Callable[[str], bool]) -> Simulation:
    loops = {name: loop for name, loop in run.bench.loops.items() if keep(name)}
    return dataclasses.replace(run, bench=dataclasses.replace(run.bench, loops=loops))


def test_every_required_metric_is_defined_once() -> None:
    names = [entry.name for entry in METRICS]
    assert len(names) == len(set(names))
    assert set(names) >= REQUIRED


def test_a_run_has_every_metric_and_one_loss_per_meter(run: Simulation) -> None:
    found = metrics(run)
    losses = {LOSS_PREFIX + name for name in run.energies.losses}
    modules = (grid, ratings, heatfigures, atend, turning)
    others = {entry.name for known in modules for entry in known.known_figures(run.bench)}
    assert set(found) == {entry.name for entry in METRICS} | losses | others
    assert sum(found[name].value or 0.0 for name in losses) == pytest.approx(found["loss_energy"].value)
    for entry in METRICS:
        assert (found[entry.name].unit, found[entry.name].meaning) == (entry.unit, entry.meaning)
    assert all((metric.value is None) == bool(metric.reason) for metric in found.values())


def test_what_is_asked_for_is_found_as_among_all(run: Simulation) -> None:
    every = metrics(run)
    for name, entry in every.items():
        assert metrics(run, [name])[name] == entry
    assert list(metrics(run, ["torque_overshoot", "step"])) == [
        *(f"torque_{name}" for name in ("rise_time", "overshoot", "settling_time", "steady_error")),
        *("torque_ripple_rms", "step"),
    ]
    assert metrics(run, ["no_such_metric"]).keys() < every.keys()


def test_the_table_of_the_page_is_this_one() -> None:
    if not PAGE.exists():
        pytest.skip("no docs beside the tests")
    rows = [f"| `{entry.name}` | {entry.unit} | {entry.meaning} |\n" for entry in METRICS]
    assert "|---|---|---|\n" + "".join(rows) + "\n" in PAGE.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "name", ["cardan-pump", "hour-of-duty", "rectifier-hub", "truck-axle", "two-way-hub"]
)
def test_the_page_names_what_a_bench_has_besides(name: str) -> None:
    if not PAGE.exists():
        pytest.skip("no docs beside the tests")
    words = re.findall(r"`([A-Za-z_][\w.]*)`", PAGE.read_text(encoding="utf-8"))
    # Of a pattern the words in capitals are names, as `load.PART.QUANTITY` has them.
    known = [re.sub("[A-Z]+", ".+", re.escape(word)) for word in words]
    bench = build_bench(read_scenario(name).description)
    shown = [
        entry.name
        for kind in (grid, ratings, heatfigures, atend, turning)
        for entry in kind.known_figures(bench)
    ]
    assert [entry for entry in shown if not any(re.fullmatch(word, entry) for word in known)] == []


def test_steps_are_those_while_the_speed_rests(run: Simulation) -> None:
    at = [float(run.time[step.hold.first]) for step in torque_steps(run)]
    assert at == pytest.approx([0.51, 0.61])


def test_a_step_cut_short_counts_where_it_is_the_only_one() -> None:
    short = simulate(read_scenario("reference-bench", ["duration=30 ms"]).description)
    assert [float(short.time[step.hold.first]) for step in torque_steps(short)] == pytest.approx([0.01])


def test_steps_during_a_ramp_count_where_there_are_no_others(run: Simulation) -> None:
    ramp = with_traces(run, speed_setpoint=run.time.copy())
    assert len(torque_steps(ramp)) == 7


def test_metrics_of_a_known_answer(run: Simulation) -> None:
    tau = 4e-3
    true = np.zeros(len(run.time))
    setpoint = run.traces["torque_setpoint"]
    gain = 1.0 - math.exp(-1e-4 / tau)
    for i in range(1, len(true)):
        true[i] = true[i - 1] + gain * (setpoint[i - 1] - true[i - 1])
    known = with_traces(run, true_torque=true, reading=true + 0.5)
    found = metrics(dataclasses.replace(known, duration=0.72))
    assert found["torque_rise_time"].value == pytest.approx(tau * math.log(9.0), rel=1e-3)
    assert found["torque_overshoot"].value == pytest.approx(0.0, abs=1e-9)
    assert found["torque_steady_error"].value == pytest.approx(0.0, abs=1e-3)
    assert found["reading_error_rms"].value == pytest.approx(0.5)
    assert found["reading_error_max"].value == pytest.approx(0.5)


def test_a_step_that_does_not_settle_makes_the_time_unknown_and_says_which(run: Simulation) -> None:
    true = run.traces["true_torque"].copy()
    true[run.time > 0.6] += 5.0
    settling = metrics(with_traces(run, true_torque=true))["torque_settling_time"]
    assert settling.value is None
    assert (
        settling.reason
        == "the true torque does not settle to ±2 % of the step at 0.51 s before the next change"
    )
    assert settling.at == pytest.approx(0.51)


def test_a_step_that_is_not_reached_says_so(run: Simulation) -> None:
    rise = metrics(with_traces(run, true_torque=0.0 * run.time))["torque_rise_time"]
    assert rise.reason == "the true torque does not reach 90 % of the step at 0.61 s before the next change"


def test_ripple_and_error_are_taken_in_the_last_quarter(run: Simulation) -> None:
    wave = 2.0 * np.sin(2.0 * math.pi * 400.0 * run.time)
    found = metrics(with_traces(run, true_torque=run.traces["torque_setpoint"] + wave - 0.3))
    assert found["torque_ripple_rms"].value == pytest.approx(math.sqrt(2.0), rel=1e-3)
    assert found["torque_steady_error"].value == pytest.approx(0.3, rel=1e-3)


def test_peaks_come_from_inside_the_steps(run: Simulation) -> None:
    found = metrics(dataclasses.replace(run, peaks={**run.peaks, "ts": (-123.0, 7.0)}))
    assert found["peak_true_torque"].value == 123.0
    assert found["peak_share_of_rating"].value == pytest.approx(123.0 / 200.0)


def test_speed_deviation_counts_from_the_moment_the_setpoint_is_reached(run: Simulation) -> None:
    setpoint = np.where(run.time < 0.2, 0.0, 100.0)
    speed = np.minimum(np.maximum(run.time - 0.2, 0.0) * 1000.0, 104.0)
    speed[run.time > 0.5] = 93.0
    found = metrics(with_traces(run, speed_setpoint=setpoint, drive_speed=speed))["speed_deviation_max"]
    assert found.value == pytest.approx(-7.0)
    assert found.at == pytest.approx(0.5001)


def test_a_speed_that_never_arrives_has_no_deviation(run: Simulation) -> None:
    ramp = with_traces(run, speed_setpoint=run.time.copy())
    assert metrics(ramp)["speed_deviation_max"].reason == "the speed never reaches a resting set-point"


def test_a_trip_ends_the_judging(run: Simulation) -> None:
    tripped = dataclasses.replace(
        run, events=(Event(0, 0.3, "tripped", "x"), Event(0, 0.305, "torque_off", "x"))
    )
    assert control_end(run) == len(run.time)
    assert control_end(tripped) == 3050
    found = metrics(tripped)
    assert found["torque_overshoot"].at is not None and found["torque_overshoot"].at < 0.3
    assert found["torque_steady_error"].reason == (
        "the torque set-point never rests for 8 records while the others rest; judged until the trip"
    )


def test_shares_and_energies(run: Simulation) -> None:
    found = metrics(run)
    drive, load, grid = (found[f"{name}_energy"].value or 0.0 for name in ("drive", "load", "grid"))
    assert grid == pytest.approx(drive + load)
    assert found["returned_share"].value == pytest.approx(-load / drive)
    motoring = dataclasses.replace(run.energies, links={"drive": 3.0, "load": 4.0})
    share = metrics(dataclasses.replace(run, energies=motoring))["returned_share"]
    assert share.reason == "no machine returned more energy than it took"


def test_one_machine_has_no_load(run: Simulation) -> None:
    alone = dataclasses.replace(run.energies, links={"drive": 3.0})
    load = metrics(dataclasses.replace(run, energies=alone))["load_energy"]
    assert load.value is None and load.reason == "the line has only one machine"


@pytest.mark.parametrize(
    ("gone", "metric", "reason"),
    [
        ("torque", "torque_overshoot", "no loop controls a torque"),
        ("speed", "speed_deviation_max", "no loop controls a speed"),
    ],
)
def test_without_a_loop(run: Simulation, gone: str, metric: str, reason: str) -> None:
    found = metrics(without_loops(run, lambda name: name != gone))
    assert (found[metric].value, found[metric].reason) == (None, reason)


def test_without_steps(run: Simulation) -> None:
    found = metrics(with_traces(run, torque_setpoint=0.0 * run.time))
    assert found["torque_rise_time"].reason == "the torque set-point makes no step"


def test_without_a_sensor(run: Simulation) -> None:
    parts = {name: part for name, part in run.bench.parts.items() if part.parameters.signal != "torque"}
    bench = dataclasses.replace(run.bench, parts=parts, loops={})
    found = metrics(dataclasses.replace(run, bench=bench))
    assert found["peak_true_torque"].reason == "the line has no torque sensor"


def test_without_records(run: Simulation) -> None:
    empty = {name: values[:0] for name, values in run.traces.items()}
    peaks = dict.fromkeys(run.peaks, (math.inf, -math.inf))
    found = metrics(dataclasses.replace(run, time=run.time[:0], traces=empty, peaks=peaks))
    assert found["peak_share_of_rating"].reason == "the run ended at once"
    assert found["reading_error_max"].reason == "nothing was recorded"
    assert found["torque_rise_time"].value is None


def test_no_metric_is_nan(run: Simulation) -> None:
    broken = dataclasses.replace(run.energies, grid=math.nan)
    grid = metrics(dataclasses.replace(run, energies=broken))["grid_energy"]
    assert grid.value is None and grid.reason == "no finite number came out"
