"""Order lines in logs of which the truth is known; more seeds in tests/benchmarks/orders.py."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from shaftloop.analysis.logs.orderlines import OrderLines
from shaftloop.analysis.simulation import simulate
from shaftloop.answers.identify import find_fit
from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import Scenario, read_scenario
from shaftloop.studies.identification.orders import strongest

FREE = ["line.c1.stiffness", "line.load.inertia"]
COGGING = "line.load.cogging=[{order=6, amplitude='1 N m'}]"
TIME = np.arange(2000) * 1e-3
EVERY = TIME < 1.4


def bench(*settings: str) -> Scenario:
    base = ("duration=800 ms", "record.rate=2.5 kHz", "sequence.0.over=1 ms")
    return read_scenario("reference-bench", (*base, *settings))


def logged(path: Path, *settings: str, line: float = 0.0, seed: int = 1, speeds: bool = True) -> Path:
    """Return the log of a run from 0.2 s on, with noise and order 2 of the drive."""
    rng = np.random.default_rng(seed)
    run = simulate(bench(*settings).description)
    angle = np.cumsum(run.traces["drive_speed"]) / 2500.0
    columns = {"time [s]": run.time}
    for name, noise, share in (
        ("reading", 0.3, 1.0),
        ("drive_speed", 0.03, 0.05),
        ("load_speed", 0.03, 0.05),
    ):
        if speeds or name == "reading":
            wave = share * line * np.sin(2.0 * angle + rng.uniform(0.0, 6.0))
            values = run.traces[name] + wave + noise * rng.normal(size=len(run.time))
            columns[f"{name} [{run.units[name]}]"] = values
    np.savez(path, **{name: values[run.time > 0.2] for name, values in columns.items()})
    return path


def line(order: float, speed: float, size: float = 1.0) -> np.ndarray:
    return size * np.sin(order * speed * TIME + 1.0)


def test_a_line_is_taken_out_with_slow_drift_and_little_else() -> None:
    """The speed is 0.3 % off, the amplitude doubles, and the part kept out has another phase."""
    lines = OrderLines(TIME, 150.0 * TIME, {2.0: 0.2}, EVERY)
    drifting = (1.0 + TIME / 2.0) * np.where(EVERY, line(2.0, 150.45), line(2.0, 150.45, -1.0))
    assert np.std(lines.without(drifting)) < 0.03 * np.std(drifting)
    (size,) = lines.amplitudes(drifting, EVERY)
    assert size == pytest.approx(np.sqrt(np.mean((1.0 + TIME[EVERY] / 2.0) ** 2)), rel=0.01)
    beside = line(1.6, 150.0)
    assert np.std(lines.without(beside)) == pytest.approx(np.std(beside), rel=0.01)
    once = lines.without(np.column_stack([drifting + beside, TIME]))
    assert np.allclose(lines.without(once), once, atol=1e-6)


def test_at_rest_a_line_is_a_constant_and_no_more() -> None:
    still = OrderLines(TIME, 1e-6 * TIME, {2.0: 0.2}, EVERY)
    step = np.where(TIME < 0.7, 0.0, 1.0)
    assert np.std(still.without(step)[EVERY]) == pytest.approx(np.std(step[EVERY]), rel=1e-3)


def test_the_strongest_order_of_a_residual() -> None:
    noise = np.random.default_rng(0).normal(size=len(TIME))
    angle, rest = 150.0 * TIME, 0.0 * TIME

    def order(values: np.ndarray, shown: np.ndarray = rest, turned: np.ndarray = angle) -> float:
        return strongest(turned, values, shown)[1]

    assert order(noise + line(3.0, 150.0)) == 3.0
    assert order(noise + line(3.2, 150.0)) == 0.0
    assert strongest(angle, noise + line(3.1, 150.0), rest, (3.0,))[1] == pytest.approx(3.1, abs=0.02)
    assert order(noise + line(3.0, 150.0), turned=-angle) == 3.0
    assert order(noise) == 0.0
    assert order(noise + line(3.0, 150.0, 0.15)) == 0.0
    # What the bench shows at twice the size may be its own error; a shaft that reverses has no spectrum.
    assert order(noise + line(3.0, 150.0), line(3.0, 150.0, 3.0)) == 0.0
    assert order(noise + line(3.0, 150.0), turned=np.sin(TIME)) == 0.0
    assert strongest(angle[:200], noise[:200], rest[:200]) == (0.0, 0.0)


@pytest.mark.parametrize(("size", "orders"), [(2.0, ()), (5.0, (2.0,))])
def test_a_strong_line_leaves_values_and_verdict_alone(
    tmp_path: Path, size: float, orders: Sequence[float]
) -> None:
    path = logged(tmp_path / "run.npz", line=size)
    start = bench("line.c1.stiffness=22 kN m/rad", "line.load.inertia=0.033 kg m^2")
    answer = find_fit(start, [path], FREE, orders=orders, others=[path])
    stiffness, inertia = answer.fit.estimates
    assert answer.against == () and answer.judged[0].shares["drive_speed"] > 0.9
    assert stiffness.value == pytest.approx(25e3, abs=3.5 * stiffness.deviation)
    assert inertia.value == pytest.approx(0.03, abs=3.5 * inertia.deviation)
    assert stiffness.deviation < 100.0 and inertia.deviation < 1e-4
    (order,) = answer.fit.orders
    assert (order.order, order.of, order.found) == (2.0, "drive_speed", not orders)
    assert order.amplitudes[0] == pytest.approx(size, rel=0.05)
    found = "" if orders else ", found in what is left,"
    assert f"order 2 of drive_speed{found} is taken out of reading (" in answer.notes[0]
    assert "it or the speed changes fast" in answer.notes[0]


def test_what_the_scenario_lacks_is_objected_to_beside_a_strong_line(tmp_path: Path) -> None:
    lacking = ("line.ts.filter.order=4", "line.ts.filter.cutoff=250 Hz")
    path = logged(tmp_path / "run.npz", *lacking, line=5.0)
    assert find_fit(bench(), [path], FREE).against


def test_a_line_that_meets_the_resonance_goes_through_the_model(tmp_path: Path) -> None:
    """The wave that the load drives is found with the values, from a phase that is far off."""
    wave = COGGING.replace("1 N m", "2 N m").replace("'}", "', phase='1 rad'}")
    path = logged(tmp_path / "run.npz", wave)
    free = [*FREE, "line.load.cogging.0.amplitude", "line.load.cogging.0.phase=3 rad"]
    answer = find_fit(bench(COGGING, "line.c1.stiffness=22 kN m/rad"), [path], free)
    assert answer.against == () and answer.fit.orders == ()
    for entry, true in zip(answer.fit.estimates, (25e3, 0.03, 2.0, 1.0), strict=True):
        assert entry.value == pytest.approx(true, abs=3.5 * entry.deviation)
    assert answer.fit.estimates[2].deviation < 0.02


def test_what_goes_with_an_order_is_named(tmp_path: Path) -> None:
    """The torque hardly moves the speed, so that the cogging shows at its order alone."""
    gentle = ("sequence.1.high=10 N m", COGGING)
    path = logged(tmp_path / "run.npz", *gentle)
    free = ["line.load.inertia", "line.load.cogging.0.amplitude"]
    answer = find_fit(bench(*gentle), [path], free, orders=[6.0])
    assert answer.fit.swallowed == ("line.load.cogging.0.amplitude",)
    assert any("what tells line.load.cogging.0.amplitude lies at these orders" in n for n in answer.notes)


def test_orders_without_a_speed_are_refused(tmp_path: Path) -> None:
    path = logged(tmp_path / "run.npz", speeds=False)
    with pytest.raises(ScenarioError, match="log the speed of the shaft, or its angle"):
        find_fit(bench(), [path], FREE, orders=[2.0])
    with pytest.raises(ScenarioError, match='`speed` "reading": no logged speed or angle; logged: none'):
        find_fit(bench(), [path], FREE, orders=[2.0], speed="reading")
