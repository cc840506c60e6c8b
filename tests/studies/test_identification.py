"""Values found from logs of which the truth is known, and logs that say too little."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import besselap, lfilter

from benchmarks.identification import fitted
from benchmarks.identification import logged as logged_with_clock
from shaftloop.analysis.overlay import read_measurement, read_measurements
from shaftloop.analysis.simulation import simulate
from shaftloop.answers.identify import FitAnswer, find_fit
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.scenario.reading import Scenario, read_scenario
from shaftloop.studies.identification import problem as problems
from shaftloop.studies.identification.fit import Fit
from shaftloop.studies.identification.free import Free, read_free
from shaftloop.studies.identification.judge import fit_share, judge
from shaftloop.studies.identification.noise import scatter, whitener
from shaftloop.studies.identification.problem import SIDES, Estimate, Problem
from shaftloop.studies.identification.replay import Replay
from shaftloop.studies.identification.responses import started

BASE = (
    "duration=160 ms",
    "record.rate=4 kHz",
    "sequence.1.period=40 ms",
    "sequence.1.rise=4 ms",
    "sequence.1.fall=24 ms",
)


def bench(*settings: str) -> Scenario:
    return read_scenario("reference-bench", (*BASE, *settings))


def logged(path: Path, *settings: str, more: Sequence[str] = ()) -> Path:
    """Return the log of a run, with noise."""
    rng = np.random.default_rng(1)
    run = simulate(bench(*settings).description)
    columns = {"time [s]": run.time}
    for name, noise in (("reading", 0.2), ("drive_speed", 0.02), *((extra, 0.0) for extra in more)):
        columns[f"{name} [{run.units[name]}]"] = run.traces[name] + noise * rng.normal(size=len(run.time))
    np.savez(path, **columns)
    return path


@pytest.fixture(scope="module")
def answer(tmp_path_factory: pytest.TempPathFactory) -> FitAnswer:
    path = logged(tmp_path_factory.mktemp("log") / "run.npz")
    start = bench("line.c1.stiffness=20 kN m/rad", "line.load.inertia=0.033 kg m^2")
    free = ["line.c1.stiffness", "line.load.inertia", "log.reading.zero=0 N m ± 1 N m"]
    return find_fit(start, [path], free)


def test_the_truth_is_found_within_its_interval_and_not_contradicted(answer: FitAnswer) -> None:
    stiffness, inertia, zero = answer.fit.estimates
    assert stiffness.value == pytest.approx(25e3, abs=3.5 * stiffness.deviation)
    assert inertia.value == pytest.approx(0.03, abs=3.5 * inertia.deviation)
    assert zero.value == pytest.approx(0.0, abs=3.5 * zero.deviation)
    assert stiffness.deviation < 500.0 and inertia.deviation < 3e-4
    assert answer.against == () and answer.judgement.unknown == ()
    assert answer.judgement.shares[0] > 0.98
    assert answer.figures["line.c1.stiffness_low"].value == stiffness.interval[0]


def test_what_the_scenario_lacks_is_objected_to(tmp_path: Path) -> None:
    path = logged(tmp_path / "run.npz", "line.ts.filter.order=4", "line.ts.filter.cutoff=200 Hz")
    wrong = find_fit(bench(), [path], ["line.c1.stiffness", "line.load.inertia"])
    assert any("of what is left of reading follows what was played" in reason for reason in wrong.against)


def test_a_latency_is_stepped_to_its_ticks(tmp_path: Path) -> None:
    path = logged(tmp_path / "run.npz", "line.ts.latency=500 us")
    found = find_fit(bench("line.ts.latency=800 us"), [path], ["line.ts.latency"]).fit.estimates[0]
    assert found.free.kind == "stepped"
    assert found.value == pytest.approx(500e-6, abs=30e-6)


def test_a_latency_at_which_the_bench_runs_away_is_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = logged(tmp_path / "run.npz", "line.ts.latency=500 us")
    slopes = Problem.slopes

    def only_up_to(problem: Problem, theta: Any) -> Any:
        if problem.frees[0].value(theta[0]) > 510e-6:
            raise SimulationError("it runs away", "none")
        return slopes(problem, theta)

    monkeypatch.setattr(Problem, "slopes", only_up_to)
    found = find_fit(bench("line.ts.latency=450 us"), [path], ["line.ts.latency", "line.c1.stiffness"])
    assert found.fit.estimates[0].value == pytest.approx(500e-6, abs=30e-6)


def _only_alone(shown: Callable[[Sequence[Any]], Any], thetas: Sequence[Any]) -> Any:
    if len(thetas) > 1:
        raise SimulationError("it runs away", "none")
    return shown(thetas)


@pytest.mark.parametrize(("cutoff", "latency"), [(700.0, 800.0), (2100.0, 100.0)])
def test_latency_and_low_pass_that_trade_places_end_where_the_log_has_their_sum(
    tmp_path: Path, cutoff: float, latency: float
) -> None:
    """The delay of a Bessel filter at rest is the sum of the inverse poles that scipy gives it."""
    path = logged(tmp_path / "run.npz", "line.ts.latency=500 us")
    off = bench(f"line.ts.filter.cutoff={cutoff} Hz", f"line.ts.latency={latency} us")
    found = find_fit(off, [path], ["line.ts.filter.cutoff", "line.ts.latency", "log.clock"])
    late = -np.sum(1.0 / besselap(2, norm="mag")[1]).real / (2.0 * np.pi)
    reached, ticks, _ = found.fit.estimates
    assert found.against == ()
    assert late / reached.value + ticks.value == pytest.approx(late / 1200.0 + 500e-6, abs=8e-6)
    (known,) = found.judgement.combinations
    assert set(known.paths) >= {reached.free.path, ticks.free.path} and known.spread < 0.03
    for entry, truth in ((reached, 1200.0), (ticks, 500e-6)):
        low, high = entry.interval
        assert low < truth < high
        assert entry.spread == pytest.approx(np.diff(entry.ends)[0] / (2.0 * SIDES))
    assert found.fit.runs < 220


@pytest.mark.parametrize(("stiffness", "inertia"), [(0.5, 2.0), (1.5, 0.6)])
def test_a_start_far_off_is_led_near_by_the_response(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stiffness: float, inertia: float
) -> None:
    """Where a bench beside the start cannot be run, it stays where it is."""
    longer = "duration=300 ms"
    path = logged(tmp_path / "run.npz", longer, more=("torque_command", "load_speed"))
    off = (f"line.c1.stiffness={25e3 * stiffness} N m/rad", f"line.load.inertia={0.03 * inertia} kg m^2")
    start, free = bench(longer, *off), ["line.c1.stiffness", "line.load.inertia"]
    replay = Replay(start, [read_measurement(path)])
    problem = Problem(replay, read_free(start, free, replay.log_parameters()), 0.3)
    there = np.zeros(2)
    moved = started(problem, there, problem.shown([there])[0])
    with monkeypatch.context() as failing:
        failing.setattr(problem, "shown", partial(_only_alone, problem.shown))
        assert np.array_equal(started(problem, there, problem.shown([there])[0]), there)
    truth = -np.log([stiffness, inertia])
    assert np.linalg.norm(moved - truth) < 0.6 * np.linalg.norm(truth)
    found = find_fit(start, [path], free).fit.estimates
    assert found[0].value == pytest.approx(25e3, abs=3.5 * found[0].deviation)
    assert found[1].value == pytest.approx(0.03, abs=3.5 * found[1].deviation)


@pytest.mark.parametrize("drift", [0.0, 1e-4])
def test_a_log_off_the_ticks_shows_its_clock(tmp_path: Path, drift: float) -> None:
    """Reading and command keep their values between ticks; as straight lines they were 20 us late."""
    rng, rate, late = np.random.default_rng(1), 3700.0, 0.4
    run = simulate(bench("duration=400 ms", "record.rate=200 kHz").description)
    at = np.arange(1, 1470) / rate + 90e-6
    columns = {"time [s]": (at - late) / (1.0 + drift)}
    for name, noise in (("reading", 0.3), ("torque_command", 0.3), ("drive_speed", 0.03)):
        # A record shows what was held up to its instant.
        held = run.traces[name][np.ceil(at * 200e3).astype(int)]
        values = np.interp(at, run.time, run.traces[name]) if name == "drive_speed" else held
        columns[f"{name} [{run.units[name]}]"] = values + noise * rng.normal(size=len(at))
    np.savez(tmp_path / "run.npz", **columns)
    start = bench("duration=400 ms", "line.c1.stiffness=22 kN m/rad", "record.rate=4 kHz")
    found = find_fit(start, [tmp_path / "run.npz"], ["line.c1.stiffness", "log.clock", "log.drift"]).fit
    middle = 0.5 * (columns["time [s]"][0] + columns["time [s]"][-1])
    for entry, truth in zip(found.estimates, [25e3, late + drift * middle, drift], strict=True):
        assert entry.value == pytest.approx(truth, abs=3.5 * entry.deviation), entry.free.path
    assert found.estimates[1].deviation < 3e-6


def test_a_tick_that_a_drift_misses_by_a_hair_contradicts_nothing(tmp_path: Path) -> None:
    """At the ticks: where nothing was fitted a drift that is 3 ppm off shows each command a tick late."""
    fit, judgement = fitted(logged_with_clock(tmp_path, 13), 13)
    assert judgement.against == ()
    assert fit.estimates[5].value == pytest.approx(100e-6, abs=3.0 * fit.estimates[5].deviation)


def test_a_log_that_never_sees_a_tick_leaves_its_clock_open(tmp_path: Path) -> None:
    """At 2 kHz, always 20 us behind a tick of the sensor, a reading alone is the same over 100 us."""
    run = simulate(bench("record.rate=200 kHz").description)
    at = np.arange(1, 310) / 2000.0 + 20e-6
    reading = run.traces["reading"][np.round(at * 200e3).astype(int)]
    noise = 0.1 * np.random.default_rng(1).normal(size=len(at))
    np.savez(tmp_path / "run.npz", **{"time [s]": at, "reading [N m]": reading + noise})
    clock = find_fit(bench("record.rate=10 kHz"), [tmp_path / "run.npz"], ["log.clock"]).fit.estimates[0]
    low, high = clock.interval
    assert low == pytest.approx(-20e-6, abs=5e-6) and high == pytest.approx(80e-6, abs=5e-6)


def test_a_fit_keeps_to_what_the_scenario_admits(tmp_path: Path) -> None:
    """A loss factor ends at 3, and a latency at 0 and at whole nanoseconds."""
    (loss,) = read_free(read_scenario("wheel-hub"), ["line.c1.loss_factor_psi"], {})
    assert loss.value(loss.high) == pytest.approx(3.0, rel=1e-6) and loss.low == -np.inf
    path = logged(tmp_path / "run.npz", "line.ts.latency=0 s")
    (latency,) = find_fit(bench("line.ts.latency=300 us"), [path], ["line.ts.latency"]).fit.estimates
    assert 0.0 <= latency.value < 60e-6
    assert latency.free.value(latency.free.low) == 0.0
    assert latency.free.setting(-1.0 / 3.0) == "line.ts.latency=0.0002 s"


def test_what_plays_takes_the_place_of_the_sequence(tmp_path: Path) -> None:
    more = ("torque_setpoint", "speed_setpoint", "torque_command", "speed_command")
    path = logged(tmp_path / "run.npz", more=more)
    still = bench("sequence.1.high=0 N m")
    for columns in (("torque_setpoint", "speed_setpoint"), ("torque_command", "speed_command")):
        options = [f"column.{name}.plays=true" for name in columns]
        replay = Replay(still, [read_measurement(path, options)])
        shown = replay.seen(next(replay.runs([], [[]])), [], [])
        shares = {
            entry.column.channel: fit_share(entry.measured, values)
            for entry, values in zip(replay.compared, shown, strict=True)
        }
        # A command was recorded up to a period of its loop after it became active.
        assert shares["reading"] > (0.99 if columns[0].endswith("setpoint") else 0.93)
        assert shares["drive_speed"] > 0.98
        assert ("torque_setpoint" in replay.left_out) == columns[0].endswith("command")


def test_runs_that_memory_does_not_hold_are_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, free = logged(tmp_path / "run.npz"), ["line.c1.stiffness", "line.load.inertia"]
    start = bench("line.c1.stiffness=22 kN m/rad")

    def found() -> tuple[list[np.ndarray], Problem]:
        replay = Replay(start, [read_measurement(path)])
        problem = Problem(replay, read_free(start, free, replay.log_parameters()), 0.3)
        problem.shown([np.zeros(2)])
        slopes = problem.slopes(np.zeros(2))
        assert problem.slopes(np.zeros(2)) is slopes and problem.runs == 5
        problem.shown([np.zeros(2)])
        return slopes, problem

    (plain, ample) = found()
    monkeypatch.setattr(problems, "_ROOM", 100_000)
    (scarce, short) = found()
    assert ample.runs == 5 and short.runs == 6
    for one, other in zip(plain, scarce, strict=True):
        np.testing.assert_array_equal(one, other)


def test_a_counted_speed_is_a_channel_between_the_ticks_of_its_encoder(tmp_path: Path) -> None:
    """With 2,000,000 lines a count is 0.016 rad/s; the speed as it is would be off by up to 0.5 ms."""
    settings = ("duration=200 ms", "line.enc.lines=2000000", 'record.channels=["enc.speed"]')
    run = simulate(read_scenario("wheel-hub", (*settings, "record.rate=100 kHz")).description)
    at = np.arange(1, 700) / 3700.0
    counted = run.traces["enc.speed"][np.ceil(at * 100e3 - 1e-6).astype(int)]
    np.savez(tmp_path / "run.npz", **{"time [s]": at, "enc.speed [rad/s]": counted})
    replay = Replay(read_scenario("wheel-hub", settings), [read_measurement(tmp_path / "run.npz")])
    (shown,) = replay.seen(next(replay.runs([], [[]])), [], [])
    assert np.std(counted) > 1.0 and np.max(np.abs(shown - counted)) < 0.05


def test_only_columns_that_count_are_read(tmp_path: Path) -> None:
    """Values of the others would be refused."""
    time, nan = np.arange(500) / 1e3, np.full(500, np.nan)
    shown = {"reading [N m]": np.sin(time), "oil": nan, "mark": np.cos(time), "knob": time}
    np.savez(tmp_path / "a.npz", **{"time [s]": time}, **shown)
    np.savez(tmp_path / "b.npz", **{"time [s]": time, "mark": np.cos(time), "drive_speed [rad/s]": time})
    start, paths = bench(), [tmp_path / "a.npz", tmp_path / "b.npz"]
    channels = {channel.name for channel in build_bench(start.description).model.channels}
    options = ["column.knob.plays=true", "column.knob.channel=torque_setpoint", "column.knob.unit=N m"]
    one, other = read_measurements(paths, [], channels)
    assert [c.header for c in one.table.columns] == ["reading", "mark"]
    assert [c.header for c in other.table.columns] == ["mark", "drive_speed"]
    assert set(Replay(start, [one, other]).left_out) == {"oil", "knob", "mark"}
    (alone,) = read_measurements(paths[:1], options, channels)
    assert [c.header for c in alone.table.columns] == ["reading", "knob"]


def test_rates_and_means_are_taken_over_the_common_clock(tmp_path: Path) -> None:
    """An angle at 100 rad/s, logged by a clock that runs 1 % slow; over its own it would turn at 101."""
    time = np.arange(2000) / 1e3
    swing, drift = 0.5 * np.sin(20.0 * time + 3.0 * time**2), 0.01
    np.savez(tmp_path / "a.npz", **{"time [s]": time, "drive_speed [rad/s]": swing})
    columns = {"drive_speed [rad/s]": swing, "turned [rad]": 100.0 * time}
    np.savez(tmp_path / "b.npz", **{"time [s]": time / (1.0 + drift), **columns})
    stated = ["column.turned.channel=load_speed", "column.turned.rate_over=20 ms"]
    channels = {"drive_speed", "load_speed"}
    logs = read_measurements([tmp_path / "a.npz"], [], channels)
    logs += read_measurements([tmp_path / "b.npz"], stated, channels)
    replay = Replay(bench(), logs)
    assert replay.clocks[logs[1].table.log.label].drift == pytest.approx(drift, rel=0.01)
    np.testing.assert_allclose(replay.compared[-1].measured, 100.0, rtol=3e-4)


def test_times_of_a_log_that_nothing_compares_are_warned_of(tmp_path: Path) -> None:
    path = logged(tmp_path / "run.npz", more=("torque_setpoint", "speed_setpoint"))
    with np.load(path) as whole:
        speed = "drive_speed [rad/s]"
        np.savez(tmp_path / "a.npz", **{name: whole[name] for name in whole if name != speed})
        np.savez(tmp_path / "b.npz", **{name: whole[name] for name in ("time [s]", speed)})
    logs, free = [tmp_path / "a.npz", tmp_path / "b.npz"], ["line.c1.stiffness"]
    (warning,) = (w for w in find_fit(bench(), logs, free).warnings if "as stamped" in w)
    assert "b.npz: no column shows the same channel as one of " in warning
    assert warning.endswith("or free log.drive_speed.late")
    late = find_fit(bench(), logs, [*free, "log.drive_speed.late=0 s"])
    assert not any("as stamped" in w for w in late.warnings)
    options = [f"column.{loop}_setpoint.plays=true" for loop in ("torque", "speed")]
    channels = {"reading", "drive_speed"}
    played = read_measurements(logs[:1], options, channels) + read_measurements(logs[1:], [], channels)
    replay = Replay(bench(), played)
    (ways,) = replay.unmatched({"line.c1.stiffness"})
    assert ways.endswith("or free log.drive_speed.late, or log.clock")
    assert replay.unmatched({"log.clock"}) == []


def series(k: float, s: float, noise: float = 0.01) -> Fit:
    """Return a fit that knows two stiffnesses in series only."""
    free = [
        Free(f"line.{name}.stiffness", value, "N m/rad", "scaled") for name, value in (("a", k), ("b", s))
    ]
    gradient = np.array([s / (k + s), k / (k + s)])
    information = np.outer(gradient, gradient) / noise**2
    covariance = np.linalg.inv(information + 0.02 * np.eye(2))
    estimates = tuple(Estimate(entry, 0.0, float(np.sqrt(covariance[i, i]))) for i, entry in enumerate(free))
    rows = np.zeros(1000)
    every = np.arange(1000) < 700
    return Fit(
        estimates, covariance, information, (rows + 1.0,), (rows,), (rows,), (every,), (rows,), (1.0,), 0
    )


def test_parameters_that_cannot_be_told_apart_are_named_with_what_can() -> None:
    found = judge(series(20e3, 60e3), ["reading"], [[]])
    assert [entry.free.path for entry in found.unknown] == ["line.a.stiffness", "line.b.stiffness"]
    (combination,) = found.combinations
    assert combination.words == "in series" and combination.value == pytest.approx(15e3)
    assert combination.spread == pytest.approx(0.01, rel=0.1)


def test_a_part_in_which_nothing_moves_is_no_objection() -> None:
    rng = np.random.default_rng(0)
    noise = rng.normal(size=1000)
    every = np.arange(1000) < 700
    moving = np.where(every, 20.0 * np.sin(np.arange(1000) / 9.0), 0.0)
    fit = replace(series(1.0, 1.0), measured=(moving + noise,), after=(moving,), white=(noise,), noise=(1.0,))
    found = judge(fit, ["reading"], [[]])
    assert found.still == (True,) and found.against == ()
    gone = replace(fit, measured=(20.0 * np.sin(np.arange(1000) / 9.0) + noise,))
    assert "explains reading only to" in judge(gone, ["reading"], [[]]).against[-1]


def test_a_column_that_rests_is_not_judged_unless_the_bench_moves_it() -> None:
    rng = np.random.default_rng(0)
    rounding = 1e-14 * np.where(np.arange(1000) < 700, 1.0, 3.0)
    rest, played = np.full(1000, 83.7758), np.sin(np.arange(1000) / 9.0)
    left = np.where(np.arange(1000) < 700, 1.0, 3.0) * (rng.normal(size=1000) + played)
    fit = replace(series(1.0, 1.0), measured=(rest,), after=(rest - rounding * played,), white=(left,))
    found = judge(replace(fit, noise=(1e-14,)), ["speed_setpoint"], [[played]])
    assert found.still == (True,) and found.against == ()
    # A sensor that is stuck rests too, but not on the bench.
    stuck = replace(fit, measured=(0.0 * rest,), after=(played,), white=(left,), noise=(0.7,))
    assert len(judge(stuck, ["reading"], [[played]]).against) >= 2


@pytest.mark.filterwarnings("error")
def test_a_column_at_zero_does_not_outweigh_the_others(tmp_path: Path) -> None:
    path = logged(tmp_path / "run.npz", "sequence.1.high=0 N m", more=("torque_setpoint",))
    found = find_fit(bench("sequence.1.high=0 N m"), [path], ["line.load.inertia=0.031 kg m^2"])
    (inertia,) = found.fit.estimates
    assert found.judgement.still[-1] and np.isfinite(found.fit.covariance).all()
    assert inertia.value == pytest.approx(0.03, abs=3.5 * inertia.deviation)


def test_neighbouring_values_of_a_residual_belong_together() -> None:
    rng = np.random.default_rng(0)
    noise = np.zeros(20_000)
    for k in range(1, len(noise)):
        noise[k] = 0.9 * noise[k - 1] + rng.normal()
    every, start = np.ones(len(noise), dtype=bool), np.array([0])
    found = whitener(noise, start, every)
    white = found(noise)
    assert abs(np.corrcoef(white[1:-1], white[2:])[0, 1]) < 0.03 and np.std(white) == pytest.approx(
        1.0, abs=0.05
    )


def test_spreads_count_what_belongs_together() -> None:
    """Two columns of a log that share slow noise, one later than the other, against many draws."""
    rng, count, untouched = np.random.default_rng(0), 3000, 1e12 * np.eye(2)
    time = 5e-4 * np.arange(count)
    slopes = [np.column_stack([time > 0.5, np.sin(30.0 * time)]).astype(float) for _ in range(2)]
    sums, found = [], []
    for draw in range(300):
        slow = lfilter([0.3], [1.0, -0.95], rng.normal(size=count + 20))
        left = [slow[20:] + rng.normal(size=count), slow[:-20] + rng.normal(size=count)]
        sums.append(sum(slope.T @ values for slope, values in zip(slopes, left, strict=True)))
        if draw < 20:
            found.append(scatter(left, slopes, [time, time], ["a", "a"], untouched))
    actual = np.cov(np.array(sums).T)
    assert np.mean(found, axis=0)[0, 0] == pytest.approx(actual[0, 0], rel=0.2)
    assert np.mean(found, axis=0)[1, 1] == pytest.approx(actual[1, 1], rel=0.2)
    apart = scatter(left, slopes, [time, time], ["a", "b"], untouched)
    assert apart[0, 0] < 0.7 * actual[0, 0]


@pytest.mark.parametrize("slow", [0.0, 0.5])
def test_spreads_count_what_a_fit_took_out_of_its_residual(slow: float) -> None:
    """A zero, a square wave and a swing in a short log with a gap, which had 14 % too little."""
    rng = np.random.default_rng(0)
    time = np.delete(5e-4 * np.arange(1000), slice(500, 600))
    slopes = np.column_stack([np.ones(900), np.mod(time, 0.2) < 0.1, np.sin(30.0 * time)])
    solve, information = np.linalg.pinv(slopes), slopes.T @ slopes
    scores, shares = [], []
    for _ in range(1000):
        noise = lfilter([1.0], [1.0, -slow], rng.normal(size=1000))[100:]
        found = solve @ noise
        inner = scatter([noise - slopes @ found], [slopes], [time], ["a"], information)
        spreads = np.sqrt(np.diag(np.linalg.solve(information, np.linalg.solve(information, inner).T)))
        scores.append(found / spreads)
        shares.append(spreads**2)
    assert np.mean(shares, axis=0) == pytest.approx(np.var(scores * np.sqrt(shares), axis=0), rel=0.1)
    held = np.mean(np.abs(scores) <= SIDES, axis=0)
    assert (held > 0.93).all() and (held < 0.975).all()


def test_priors_hold_what_a_log_does_not_tell(tmp_path: Path) -> None:
    path = logged(tmp_path / "run.npz")
    free = ["line.c1.stiffness", "line.drive.drag.coulomb=0.2 N m ± 10 %"]
    coulomb = find_fit(bench(), [path], free).fit.estimates[1]
    assert coulomb.spread <= 0.1 / np.sqrt(3.0) * 1.01
    assert coulomb.value == pytest.approx(0.2, rel=0.2)


@pytest.mark.parametrize(
    ("free", "message"),
    [
        ([], "nothing is free"),
        (["line.c1.stifness"], "no such value; nearest: line.c1.stiffness"),
        (["title"], "is no number that could be found"),
        (["line.drive.pole_pairs"], "is a count or a choice"),
        (["line.ts.zero"], 'it starts at 0, which says no size; state one, "line.ts.zero=0.1 N m"'),
        (["line.c1.stiffness=2 N m"], "a stiffness is a torque per angle"),
        (["line.c1.stiffness=20 kN m/rad ± 2 ± 3"], "one tolerance is enough"),
        (["line.c1.stiffness=20 kN m/rad ± 0 %"], "the tolerance must be above 0"),
        (["line.c1.stiffness", "line.c1.stiffness"], "stated twice"),
    ],
)
def test_what_is_no_free_parameter(free: list[str], message: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        read_free(bench(), free, {"log.reading.zero": ("N m", False)})
    assert message in str(caught.value)


def test_signs_and_tolerances_are_understood() -> None:
    stated = ["line.ts.zero=0.1 N m ± 0.3 N m", "line.c1.stiffness=20 kN m/rad ± 10 %", "log.reading.zero"]
    zero, stiffness, logs = read_free(bench(), stated, {"log.reading.zero": ("N m", False)})
    assert (zero.kind, zero.value(-1.0)) == ("shifted", 0.0) and zero.prior == pytest.approx(
        3.0 / np.sqrt(3.0)
    )
    assert stiffness.kind == "scaled" and stiffness.prior == pytest.approx(0.1 / np.sqrt(3.0))
    assert (
        stiffness.setting(0.0) == "line.c1.stiffness=20000 N m/rad"
        and not logs.simulated
        and not logs.of_bench
    )


def test_what_nothing_depends_on_is_refused(tmp_path: Path) -> None:
    path = logged(tmp_path / "run.npz")
    with pytest.raises(ScenarioError, match=r"nothing that was logged depends on line\.drive\.current_limit"):
        find_fit(bench(), [path], ["line.drive.current_limit"])


def test_logs_that_say_too_little(tmp_path: Path) -> None:
    time = np.arange(300) * 1e-3
    moving = np.sin(30.0 * time)

    def refusal(options: Sequence[str] = (), **columns: np.ndarray) -> str:
        np.savez(tmp_path / "run.npz", **columns)
        with pytest.raises(ScenarioError) as caught:
            find_fit(bench(), [tmp_path / "run.npz"], ["line.c1.stiffness"], options=options)
        return str(caught.value)

    clock = {"time [s]": time}
    assert "no column shows a channel of the bench; nearest: reading" in refusal(
        **clock, **{"readin [N m]": moving}
    )
    assert "the unit V does not fit" in refusal(**clock, **{"reading [V]": moving})
    assert "nothing that is compared moves" in refusal(**clock, **{"reading [N m]": 0.0 * moving})
    few = {"time [s]": time[:50], "reading [N m]": moving[:50]}
    assert "run.npz: 35 values are too few for 1 free parameters" in refusal(**few)
    short = {"time [s]": time[:200] * 1e-3, "reading [N m]": moving[:200]}
    plays = {**short, "speed_setpoint [rad/s]": moving[:200]}
    assert "less than a period of the slowest mode" in refusal(["column.speed_setpoint.plays=true"], **plays)
    # The sequence of the bench goes on for longer than such a log.
    rows = {name: moving[:120] for name in ("reading [N m]", "drive_torque [N m]")}
    assert "less than a period of the slowest mode" in refusal(**{"time [s]": time[:120] * 1e-6}, **rows)
    at_rest = 1e-3 * np.random.default_rng(0).normal(size=120)
    standing = {"time [s]": time[:120] * 0.1, "true_torque [N m]": at_rest}
    assert "nothing that is compared moves" in refusal(**standing)
    assert "plays reading, which is no set-point or command of a loop" in refusal(
        ["column.reading.plays=true"], **clock, **{"reading [N m]": moving, "drive_speed [rad/s]": moving}
    )


def test_a_share_is_that_of_the_motion() -> None:
    measured = np.array([0.0, 2.0, 4.0])
    assert fit_share(measured, measured) == 1.0
    assert fit_share(measured, np.full(3, 2.0)) == pytest.approx(0.0)
    assert fit_share(np.ones(3), np.ones(3)) == 1.0 and fit_share(np.ones(3), np.zeros(3)) == -np.inf
    blind = replace(series(1.0, 1.0).estimates[0], spread=np.inf)
    assert blind.interval == (-np.inf, np.inf)
