"""A sinusoidal torque at the air gap: the response against the map, closed forms and the time simulation."""

import math
from functools import cache, reduce

import numpy as np
import pytest
from scipy.linalg import expm

from rigs import Table, describe, sensor, servo, shipped, speed_loop, torque_loop
from shaftloop.analysis.fidelity.forced import ForcedBench, air_gap_torque, deliveries, folded
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.modes import mechanics
from shaftloop.analysis.operating import operating_point
from shaftloop_models.lowpass import LowPass, state_space

FREQUENCIES = np.array([0.7, 12.0, 77.0, 430.0, 2900.0, 9731.0])


@cache
def bench_of(name: str, *settings: str) -> tuple[HyperMap, np.ndarray]:
    bench = HyperMap(shipped(name, *settings))
    return bench, held_state(bench, operating_point(bench.bench))


def low_pass(frequency: np.ndarray, spec: LowPass) -> np.ndarray:
    f, g, out = state_space(spec)
    return np.array([np.linalg.solve(2j * np.pi * x * np.eye(len(g)) - f, g)[out] for x in frequency])


@pytest.mark.parametrize("name", ["wheel-hub", "micro-spindle", "truck-axle"])
def test_transitions_multiply_to_the_derivative_of_the_map(name: str) -> None:
    bench, state = bench_of(name)
    steps = bench.difference_steps
    product = reduce(lambda done, move: move @ done, bench.transitions(state), np.eye(len(steps)))
    difference = (product - bench.jacobian(state)) * steps / steps[:, None]
    # An encoder divides a small angle by its period, which magnifies what rounding leaves of a difference.
    assert np.abs(difference).max() < (2e-6 if name == "truck-axle" else 1e-7)


@pytest.mark.compiled
def test_held_commands_are_passed_on_as_they_are() -> None:
    bench, state = bench_of("wheel-hub")
    before = bench.jacobian(state)
    held = reduce(lambda done, move: move @ done, bench.transitions(state, held=True))
    names = [bench.bench.model.layout.slots[slot].name for slot in bench.slots]
    command, twist = names.index("load.command_active"), names.index("ts.twist")
    later = [np.linalg.matrix_power(matrix, 6)[command, twist] for matrix in (held, before)]
    assert later[0] == 0.0 and abs(later[1]) > 1.0
    assert np.array_equal(bench.jacobian(state), before)  # and nothing of it stays


def test_slopes_of_the_plant_are_those_of_the_stepper() -> None:
    """exp(A·h) of the linearised plant against a gap of the stepper in which no task touches the plant."""
    bench, state = bench_of("truck-axle")
    forced = ForcedBench(bench, state, "drive", "ts", held=True)
    calendar = bench.run.tables.calendar
    gaps = np.array(calendar.gaps()) / bench.run.clock.ticks_per_second
    count, steps = len(forced.a), bench.difference_steps
    for move, gap, due in zip(bench.transitions(state, held=True), gaps, calendar.due, strict=True):
        kinds = {bench.bench.model.tasks[task].name for task in due}
        if not any("drive" in name or "load" in name for name in kinds):
            difference = (move[:count, :count] - expm(forced.a * gap)) * steps[:count] / steps[:count, None]
            assert np.abs(difference).max() < 1e-7


@pytest.mark.compiled
@pytest.mark.parametrize("name", ["wheel-hub", "micro-spindle", "truck-axle"])
def test_mechanics_alone_gives_the_same_with_commands_held(name: str) -> None:
    bench, state = bench_of(name)
    found = ForcedBench(bench, state, "drive", "ts", held=True).respond(FREQUENCIES[:5])
    alone = mechanics(bench.bench).torque_response("drive", FREQUENCIES[:5])
    # The load machine's currents answer too, which mechanics alone leaves out.
    assert np.abs(found.true / found.air_gap) == pytest.approx(np.abs(alone), rel=0.01)


@pytest.mark.compiled
def test_reading_is_the_true_torque_behind_low_pass_and_latency() -> None:
    bench, state = bench_of("wheel-hub")
    part = bench.bench.sensors["ts"].parameters
    assert part.filter is not None
    found = ForcedBench(bench, state, "drive", "ts", held=True).respond(FREQUENCIES)
    expected = low_pass(FREQUENCIES, part.filter)
    assert found.seen / found.true == pytest.approx(expected, rel=1e-5)
    late = float(part.latency.seconds(1 / part.sampling))
    slope = abs(found.reading[0] / found.seen[0])
    delayed = slope * expected * np.exp(-2j * np.pi * FREQUENCIES * late)
    assert found.reading / found.true == pytest.approx(delayed, rel=1e-5)


@pytest.mark.compiled
def test_loops_do_not_change_the_signal_path() -> None:
    bench, state = bench_of("wheel-hub")
    paths = []
    for held in (True, False):
        found = ForcedBench(bench, state, "drive", "ts", held=held).respond(FREQUENCIES[1:5])
        paths.append(found.reading / found.true)
    assert paths[0] == pytest.approx(paths[1], rel=1e-4)


@pytest.mark.compiled
@pytest.mark.parametrize("low", [True, False])
def test_moving_average_is_a_mean_over_its_window(low: bool) -> None:
    settings = ["line.ts.moving_average=1 ms", *([] if low else ["line.ts.noise_density=0 N m/rtHz"])]
    bench, state = bench_of("wheel-hub", *settings)
    part = bench.bench.sensors["ts"].parameters
    assert part.filter is not None
    frequency = FREQUENCIES[:4]
    found = ForcedBench(bench, state, "drive", "ts", held=True).respond(frequency)
    late = float(part.latency.seconds(1 / part.sampling)) + 0.5e-3
    expected = low_pass(frequency, part.filter) * np.sinc(frequency * 1e-3)
    expected = expected * np.exp(-2j * np.pi * frequency * late)
    slope = abs(found.reading[0] / found.true[0] / expected[0])
    assert found.reading / found.true == pytest.approx(slope * expected, rel=1e-5)


def rig(**keys: object) -> Table:
    line = [servo("drive", 0.05), sensor("ts", 2e4, **keys), servo("load", 0.1)]
    loop = torque_loop("load", "ts")
    return {"unit": "drive", "line": line, "loop": [loop], "sequence": [{"do": "hold", "time": "0.1 s"}]}


def test_undamped_two_mass_drive_has_the_closed_form_and_misses_no_frequency() -> None:
    """E5.7: static gain 0.66667, 0.79792 at 50 Hz; also at the rate of a sampler and its multiples."""
    bench = HyperMap(describe(rig()))
    state = held_state(bench, operating_point(bench.bench))
    forced = ForcedBench(bench, state, "drive", "ts", held=True)
    frequency = np.array([0.1, 50.0, 5000.0, 10_000.0, 20_000.0])
    found = forced.respond(frequency)
    resonance = 123.281
    expected = 2.0 / 3.0 / np.abs(1.0 - (frequency / resonance) ** 2)
    assert np.abs(found.true) == pytest.approx(expected, rel=1e-4)
    assert np.abs(found.true[:2]) == pytest.approx([0.66667, 0.79792], rel=1e-4)
    assert np.abs(found.air_gap) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize(("frequency", "place"), [(60.0, 60.0), (7250.0, 2750.0), (12_300.0, 2300.0)])
def test_lines_appear_where_folding_puts_them(frequency: float, place: float) -> None:
    bench = HyperMap(describe(rig()))
    state = held_state(bench, operating_point(bench.bench))
    forced = ForcedBench(bench, state, "drive", "ts", held=True)
    lines = forced.lines(frequency)
    direct = next(line for line in lines if line.direct)
    assert direct.frequency == pytest.approx(place) == pytest.approx(folded(frequency, 10e3))
    assert direct.size == pytest.approx(abs(forced.respond(np.array([frequency])).true[0]), rel=1e-6)


def test_a_slower_loop_folds_once_more() -> None:
    """Sampled at 10 kHz, read at 2.5 kHz: 7250 Hz is a line at 2750 Hz, and one at 250 Hz in the loop."""
    document = rig()
    document["loop"] = [torque_loop("load", "ts", rate="2.5 kHz")]
    bench = HyperMap(describe(document))
    state = held_state(bench, operating_point(bench.bench))
    forced = ForcedBench(bench, state, "drive", "ts", held=True)
    reading = next(line for line in forced.lines(7250.0) if line.direct)
    received = forced.lines(7250.0, received=True)[0]
    assert forced.loop is not None and forced.loop.parameters.rate == 2500
    assert (reading.frequency, received.frequency) == (pytest.approx(2750.0), pytest.approx(250.0))
    assert received.size == pytest.approx(reading.size, rel=1e-6)


def test_without_a_torque_loop_nothing_is_received() -> None:
    document = rig()
    document["loop"] = [speed_loop("load", 1.0, 0.0)]
    bench = HyperMap(describe(document))
    forced = ForcedBench(bench, held_state(bench, operating_point(bench.bench)), "drive", "ts", held=True)
    assert forced.loop is None
    with pytest.raises(ValueError, match="no torque loop reads this sensor"):
        forced.lines(60.0, received=True)


def test_readings_arrive_a_latency_after_their_sample() -> None:
    bench, _ = bench_of("wheel-hub")
    handle = bench.bench.sensors["ts"]
    period, phase = deliveries(handle)
    late = handle.parameters.latency.seconds(period)
    assert phase == (handle.parameters.phase + late) % period


def test_air_gap_torque_exceeds_the_true_one_by_the_drag() -> None:
    """The steady state of the stepper: 1.56 N m of drag and iron loss in front of the sensor."""
    bench, state = bench_of("wheel-hub")
    plant = bench.bench.model.plant
    true = plant.c[plant.rows[bench.bench.sensors["ts"].true_torque]] @ state[: len(plant.a)]
    assert air_gap_torque(bench, state, "drive") - true == pytest.approx(1.5608, rel=1e-4)
    assert math.isclose(true, 89.8, abs_tol=0.05)  # the set-point less what gain and zero add
