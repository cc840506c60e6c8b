"""Responses from logs against plants that are known: leakage, loops, periods, orders, gaps, clocks."""

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from shaftloop.analysis.logs import frequency
from shaftloop.analysis.logs.clocks import compare_clocks
from shaftloop.analysis.logs.deadtime import Covariances
from shaftloop.analysis.logs.evenly import Bridge, pieces
from shaftloop.analysis.logs.frequency import LogResponse, ResponseDemand, measure_response
from shaftloop.analysis.logs.orderlines import without_orders
from shaftloop.analysis.logs.resonances import find_resonances
from shaftloop.analysis.logs.spectra import Averager, local_response
from shaftloop.analysis.logs.unsigned import signed
from shaftloop.errors import ScenarioError
from shaftloop.scenario.logs import reading
from shaftloop.scenario.logs.reading import read_log

Array = np.ndarray
RATE = 200.0


def plant(natural: float = 12.0, damping: float = 0.05) -> tuple[Array, Array]:
    """Return numerator and denominator of a pair of poles with one sample of delay, gain 1 at rest."""
    w = 2.0 * np.pi * natural / RATE
    pole = np.exp(w * (-damping + 1j * np.sqrt(1.0 - damping**2)))
    a = np.poly([pole, pole.conj()]).real
    return np.array([0.0, a.sum()]), a


def true(at: Array, natural: float = 12.0, damping: float = 0.05) -> Array:
    b, a = plant(natural, damping)
    z = np.exp(-2j * np.pi * at / RATE)
    return np.polyval(b[::-1], z) / np.polyval(a[::-1], z)


def driven(rng: np.random.Generator, samples: int, noise: float = 0.0) -> tuple[Array, Array]:
    """Return input and output of the plant, cut out of a longer run: it swings when the record begins."""
    u = lfilter([0.4], [1.0, -0.6], rng.normal(size=samples + 500))
    y = lfilter(*plant(), u) + noise * rng.normal(size=samples + 500)
    return u[500:], y[500:]


def write(path: Path, *columns: tuple[str, Array]) -> Path:
    np.savez(path, **{name: values for name, values in columns})
    return path


def measured(path: Path, demand: ResponseDemand, options: Sequence[str] = ()) -> LogResponse:
    return measure_response([read_log(path, options)], demand)


def test_the_ends_of_a_record_leave_no_leakage() -> None:
    u, y = driven(np.random.default_rng(1), 2048)
    found = local_response(np.column_stack((u, u, y)), 1.0 / RATE)
    exact = true(found.frequency)
    low = found.frequency < 40.0
    error = np.abs(found.value - exact)[low] / np.abs(exact)[low]
    plain = np.fft.rfft(y)[1:] / np.fft.rfft(u)[1:]
    leaking = np.abs(plain - exact)[low] / np.abs(exact)[low]
    assert np.sqrt(np.mean(error**2)) < 0.2 * np.sqrt(np.mean(leaking**2))


@pytest.mark.parametrize("noise", [0.05, 0.3])
def test_intervals_of_a_mode_hold_the_truth_and_are_no_wider_than_needed(noise: float) -> None:
    hits, scores = 0, []
    for seed in range(40):
        u, y = driven(np.random.default_rng(seed), 2000, noise)
        found = find_resonances(local_response(np.column_stack((u, u, y)), 1.0 / RATE), 1.0 / RATE)
        assert found is not None and len(found.modes) >= 1
        mode = min(found.modes, key=lambda m: abs(m.frequency - 12.0))
        low, high = mode.interval("frequency")
        hits += low <= 12.0 <= high
        scores.append((mode.damping - 0.05) / mode.damping_spread)
    # 40 trials of 95 %: fewer than 33 has a chance of 1 in 2000.
    assert hits >= 33
    assert 0.6 < np.std(scores) < 1.6


def test_averaged_blocks_give_the_mode_of_a_long_record() -> None:
    u, y = driven(np.random.default_rng(7), 60_000, 0.3)
    averager = Averager(4096, False)
    averager.feed(np.column_stack((u, u, y)), True)
    found = averager.response(1.0 / RATE)
    assert found.blocks == 28
    low = found.frequency < 30.0
    error = np.abs(found.value - true(found.frequency)) ** 2
    # The stated variance is that of the error.
    assert np.mean(error[low] / found.variance[low]) == pytest.approx(1.0, abs=0.2)
    modes = find_resonances(found, 1.0 / RATE)
    assert modes is not None
    (mode,) = modes.modes
    assert mode.frequency == pytest.approx(12.0, abs=4.0 * mode.frequency_spread)
    assert mode.damping == pytest.approx(0.05, abs=4.0 * mode.damping_spread)
    assert mode.frequency_spread < 0.03


def test_an_instrument_takes_the_bias_of_a_loop_out() -> None:
    rng = np.random.default_rng(5)
    samples = 40_000
    command, disturbance = rng.normal(size=samples), 2.0 * rng.normal(size=samples)
    (_, b), (_, a1, a2) = plant()
    u, y = np.zeros(samples), np.zeros(samples)
    x = np.zeros(samples)
    for k in range(2, samples):
        x[k] = b * u[k - 1] - a1 * x[k - 1] - a2 * x[k - 2]
        y[k] = x[k] + disturbance[k]
        u[k] = command[k] - 0.5 * y[k]
    results = []
    for reference in (command, u):
        averager = Averager(2048, False)
        averager.feed(np.column_stack((reference, u, y)), True)
        found = averager.response(1.0 / RATE)
        band = (found.frequency > 20.0) & (found.frequency < 60.0)
        results.append(np.abs(np.mean((found.value - true(found.frequency))[band])))
    assert results[0] < 0.05 and results[1] > 5.0 * results[0]


def test_whole_periods_leave_no_leakage_at_all() -> None:
    rng = np.random.default_rng(2)
    period = 512
    lines = np.zeros(period // 2 + 1, dtype=complex)
    lines[3:100:2] = np.exp(2j * np.pi * rng.random(49))
    u = np.tile(np.fft.irfft(lines), 8)
    y = lfilter(*plant(), u)
    averager = Averager(period, True)
    averager.feed(np.column_stack((u, u, y)), True)
    found = averager.response(1.0 / RATE)
    assert found.blocks == 7 and len(found.frequency) == 49
    # What is left is how far the start has died away after a period, which is the first left out.
    decay = np.exp(-0.05 * 2.0 * np.pi * 12.0 * period / RATE)
    np.testing.assert_allclose(found.value, true(found.frequency), rtol=20.0 * decay)


def test_orders_are_taken_out_by_angle_while_the_speed_changes() -> None:
    rng = np.random.default_rng(3)
    u, y = driven(rng, 8000)
    speed = 2.0 * np.pi * (4.0 + np.linspace(0.0, 2.0, 8000))
    angle = np.cumsum(speed) / RATE
    line = 3.0 * np.cos(3.0 * angle + 0.4) * np.linspace(1.0, 2.0, 8000)
    cleaned = without_orders(np.column_stack((u, y + line)), speed, 1.0 / RATE, (3.0,))
    assert np.std(cleaned[:, 1] - y) < 0.05 * np.std(line)
    assert without_orders(u[:, None], speed, 1.0 / RATE, ()) is not None


def test_missing_samples_are_bridged_and_gaps_split() -> None:
    time = np.arange(20) * 0.01
    values = np.column_stack((time, 2.0 * time))
    keep = np.r_[0:4, 6:12, 16:20]
    values[8] = np.nan
    blocks = [(time[keep][:5], values[keep][:5]), (time[keep][5:], values[keep][5:])]
    bridge = Bridge()
    found = list(pieces(blocks, bridge))
    starts = [i for i, (_, fresh) in enumerate(found) if fresh]
    first = np.concatenate([piece for piece, _ in found[: starts[1]]])
    second = np.concatenate([piece for piece, _ in found[starts[1] :]])
    np.testing.assert_allclose(first[:, 1], 2.0 * time[:12], atol=1e-12)
    np.testing.assert_allclose(second[:, 0], time[16:])
    assert bridge.samples == 3 and len(starts) == 2


def test_gaps_are_left_out_of_a_response(tmp_path: Path) -> None:
    u, y = driven(np.random.default_rng(4), 6000, 0.05)
    keep = np.r_[0:2500, 2520:6000]
    path = write(tmp_path / "run.npz", ("time [s]", keep / RATE), ("u [V]", u[keep]), ("y [V]", y[keep]))
    found = measured(path, ResponseDemand("u", "y"))
    assert found.parts[0].findings.lost == 20 and found.unit == "1"
    assert found.resonances is not None
    assert found.resonances.modes[0].frequency == pytest.approx(12.0, rel=0.02)


def test_blocks_of_the_reader_make_no_difference(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    u, y = driven(np.random.default_rng(6), 6000, 0.1)
    path = write(tmp_path / "run.npz", ("time [s]", np.arange(6000) / RATE), ("u", u), ("y", y))
    demand = ResponseDemand("u", "y", resolution=0.4)
    whole = measured(path, demand)
    monkeypatch.setattr(reading.Log.blocks, "__defaults__", (617,))
    pieced = measured(path, demand)
    assert whole.response.blocks == pieced.response.blocks == 23
    np.testing.assert_allclose(pieced.response.value, whole.response.value, rtol=1e-9)


@pytest.mark.parametrize("delay", [1, 4, 17])
def test_dead_time(delay: int) -> None:
    rng = np.random.default_rng(delay)
    u = rng.normal(size=4000)
    late = np.concatenate((np.zeros(delay - 1), u[: 4000 - delay + 1]))
    y = lfilter([0.0, 0.3], [1.0, -0.7], late) + 0.05 * rng.normal(size=4000)
    covariances = Covariances()
    covariances.feed(np.column_stack((u, y))[:1500], True)
    covariances.feed(np.column_stack((u, y))[1500:], False)
    found = covariances.dead_time()
    assert found is not None and (found.low, found.samples, found.high) == (delay, delay, delay)


def test_products_are_those_of_all_terms_one_by_one() -> None:
    rows = np.random.default_rng(1).normal(size=(9000, 2)).cumsum(axis=0)
    covariances = Covariances()
    covariances.feed(rows, True)
    expected = np.zeros((73, 73))
    for part in (rows[: 8192 + 63], rows[8192:]):
        u, y = (part - part.mean(axis=0)).T
        terms = np.stack([y[63 - lag : len(y) - lag] for lag in range(9)])
        terms = np.concatenate((terms, [u[63 - lag : len(u) - lag] for lag in range(64)]))
        expected += terms @ terms.T
    np.testing.assert_allclose(covariances.sums(), expected, rtol=1e-9)


def test_no_dead_time_where_nothing_follows() -> None:
    rng = np.random.default_rng(0)
    covariances = Covariances()
    assert covariances.dead_time() is None
    covariances.feed(rng.normal(size=(4000, 2)), True)
    found = covariances.dead_time()
    assert found is None or found.low > 0


def test_offset_and_drift_of_a_clock_are_found_with_their_uncertainty() -> None:
    offsets, drifts = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        time = np.arange(6000) / 500.0
        smooth = lfilter([0.05], [1.0, -0.95], rng.normal(size=6000))
        other_time = np.arange(2200) / 200.0
        # What the second clock shows as t happens at t + 0.4 s + 100 ppm of t.
        seen = np.interp(other_time * (1.0 + 100e-6) + 0.4, time, smooth) + 0.005 * rng.normal(size=2200)
        clock = compare_clocks(time, smooth + 0.005 * rng.normal(size=6000), other_time, seen, "speed")
        offsets.append((clock.offset - 0.4 - 100e-6 * clock.middle) / clock.offset_spread)
        drifts.append((clock.drift - 100e-6) / clock.drift_spread)
        assert clock.offset == pytest.approx(0.4 + 100e-6 * clock.middle, abs=0.5 / 500.0)
        moved = clock.moved(np.array([clock.middle]))
        assert moved[0] == pytest.approx(clock.middle + clock.offset)
    assert np.sqrt(np.mean(np.square(offsets))) < 2.0 and np.sqrt(np.mean(np.square(drifts))) < 2.0


def test_clocks_of_unlike_signals_are_refused() -> None:
    rng = np.random.default_rng(0)
    time = np.arange(2000) / 100.0
    with pytest.raises(ScenarioError, match=r"speed of the two logs agrees only to a correlation of"):
        compare_clocks(time, rng.normal(size=2000), time, rng.normal(size=2000), "speed")
    with pytest.raises(ScenarioError, match="show no common motion of speed"):
        compare_clocks(time, np.zeros(2000), time, rng.normal(size=2000), "speed")


def test_two_logs_with_clocks_of_their_own(tmp_path: Path) -> None:
    u, y = driven(np.random.default_rng(8), 5000, 0.02)
    time = np.arange(5000) / RATE
    slow = lfilter([0.05], [1.0, -0.95], u)
    broken = np.full(5000, np.nan)  # would be refused if it was read
    write(tmp_path / "a.npz", ("time [s]", time), ("u [V]", u), ("speed [rpm]", slow), ("oil", broken))
    write(
        tmp_path / "b.npz",
        ("time [s]", time[:4000] + 100.0),
        ("y [V]", y[500:4500]),
        ("speed", slow[500:4500]),
        ("air", broken[:4000]),
    )
    logs = [read_log(tmp_path / name) for name in ("a.npz", "b.npz")]
    found = measure_response(logs, ResponseDemand("u", "y"))
    assert [[c.header for c in part.columns] for part in found.parts] == [["u", "speed"], ["y", "speed"]]
    clock = found.parts[1].clock
    assert clock is not None and clock.offset == pytest.approx(500 / RATE - 100.0, abs=1e-3)
    assert found.resonances is not None
    assert found.resonances.modes[0].frequency == pytest.approx(12.0, rel=0.01)
    write(tmp_path / "c.npz", ("time [s]", time), ("y", y))
    with pytest.raises(ScenarioError, match="no column shows the same channel"):
        measure_response([logs[0], read_log(tmp_path / "c.npz")], ResponseDemand("u", "y"))


def test_the_sign_is_given_back_to_a_size() -> None:
    rng = np.random.default_rng(9)
    u = np.repeat(np.sign(rng.normal(size=100)), 10)
    y = lfilter(*plant(4.0, 0.1), u)
    turned = signed(u, np.abs(y + 0.01 * rng.normal(size=1000)))
    assert np.mean(np.sign(turned) == np.sign(y)) > 0.97


@pytest.mark.parametrize(
    ("speed", "orders", "message"),
    [
        (None, (1.0,), "name the column of the speed, `speed`"),
        ("n", (), "`speed` is of use to orders alone"),
        (
            "n",
            (math.inf,),
            "`orders`: inf is out of range; allowed: above 0 and at most 1000 periods per turn",
        ),
    ],
)
def test_orders_and_the_speed_that_they_go_by_come_together(
    speed: str | None, orders: tuple[float, ...], message: str
) -> None:
    with pytest.raises(ScenarioError) as caught:
        ResponseDemand("u", "y", speed=speed, orders=orders)
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("demand", "message"),
    [
        (ResponseDemand("u", "z"), 'no column "z"'),
        (ResponseDemand("still", "y"), "still stays at 3: without motion there is no response"),
        (ResponseDemand("u", "y", period=0.0123), "no whole number of samples"),
        (
            ResponseDemand("u", "y", resolution=50.0),
            "`resolution` 50 Hz: at most 3.13 Hz are possible at this rate",
        ),
        (ResponseDemand("u", "y", resolution=0.1), "no two stretches of 2000 samples"),
        (ResponseDemand("u", "y", speed="u", orders=(1.0,)), 'column "u [V]": the unit V does not fit'),
    ],
)
def test_what_gives_no_response_is_refused(tmp_path: Path, demand: ResponseDemand, message: str) -> None:
    u, y = driven(np.random.default_rng(0), 1000)
    columns = (("u [V]", u), ("y [V]", y), ("still", np.full(1000, 3.0)))
    path = write(tmp_path / "run.npz", ("time [s]", np.arange(1000) / RATE), *columns)
    with pytest.raises(ScenarioError) as caught:
        measured(path, demand)
    assert message in str(caught.value)


def test_a_log_too_short_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    u, y = driven(np.random.default_rng(0), 50)
    path = write(tmp_path / "run.npz", ("time [s]", np.arange(50) / RATE), ("u", u), ("y", y))
    with pytest.raises(ScenarioError, match="50 even samples; a response needs at least 64"):
        measured(path, ResponseDemand("u", "y"))
    monkeypatch.setattr(frequency, "MOST", 100)
    u, y = driven(np.random.default_rng(0), 500)
    write(path, ("time [s]", np.arange(500) / RATE), ("u", u), ("y", np.abs(y)))
    with pytest.raises(ScenarioError, match="500 samples are too many to give it back its sign"):
        measured(path, ResponseDemand("u", "y"), ["column.y.size_only=true"])
