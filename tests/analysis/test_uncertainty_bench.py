"""Uncertainty of a bench: what goes in, what comes out, what is refused."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from shaftloop.analysis.efficiency import PointBudget, bench_budget, window_curve
from shaftloop.analysis.efficiency_inputs import speed_components, torque_components
from shaftloop.analysis.efficiency_map import efficiency_map
from shaftloop.analysis.efficiency_points import MeasuredBench, bench_point, measured_bench, read_point
from shaftloop.analysis.fidelity.correction import correction
from shaftloop.analysis.fidelity.figures import figures
from shaftloop.analysis.fidelity.signalpath import amplitude_share, mean_noise, static_error
from shaftloop.analysis.fidelity.transfer import fidelity
from shaftloop.analysis.uncertainty.distributions import ArcSine, Distribution, Rectangular
from shaftloop.analysis.uncertainty.montecarlo import monte_carlo
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.uncertainty import Uncertainty
from shaftloop_models.encoder import Encoder
from shaftloop_models.torque_sensor import TorqueSensor
from uncertainty_bench import METERED, PLAN, write_bench

SPEED, TORQUE = 800.0 * math.pi / 30.0, 20.0


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> Description:
    return read_scenario(write_bench(tmp_path_factory.mktemp("bench"))).description


@pytest.fixture(scope="module")
def measured(described: Description) -> MeasuredBench:
    return measured_bench(described)


@pytest.fixture(scope="module")
def budget(measured: MeasuredBench) -> PointBudget:
    return bench_budget(measured, bench_point(measured, SPEED, TORQUE))


def plan_of(described: Description) -> Uncertainty:
    assert described.uncertainty is not None
    return described.uncertainty


def shapes(sensor: TorqueSensor, plan: Uncertainty) -> dict[str, Distribution]:
    found = torque_components(sensor, TORQUE, SPEED, plan)
    return {entry.name.removeprefix("torque."): entry.distribution for entry in found.inputs}


def width(shape: Distribution) -> float:
    assert isinstance(shape, Rectangular | ArcSine)
    return shape.half_width


def test_the_terms_of_the_torque_are_those_of_the_fidelity_analysis(described: Description) -> None:
    found = fidelity(described, SPEED, TORQUE)
    stated = {name: figure.value or 0.0 for name, figure in figures(found).items()}
    plan = plan_of(described)
    terms = shapes(found.sensor, plan)
    assert 2.0 * width(terms["hysteresis"]) == pytest.approx(stated["hysteresis"], rel=1e-12)
    assert terms["repeatability"].uncertainty == pytest.approx(stated["repeatability"], rel=1e-12)
    still = shapes(replace(found.sensor, noise_density=0.0), plan)["quantiser"]
    assert 2.0 * width(still) == pytest.approx(stated["quantiser_step"], rel=1e-12)
    assert still.uncertainty == pytest.approx(stated["quantiser_rms"], rel=1e-12)
    single = shapes(found.sensor, replace(plan, window=1e-4))
    assert single["noise"].uncertainty == pytest.approx(stated["noise_rms"], rel=1e-12)
    # The nonlinearity counts with its limit; zero and gain are the rest of the static error.
    rest = width(terms["zero"]) + width(terms["gain"]) * found.point.torque / TORQUE
    assert 0.0 < stated["static_error"] - rest <= width(terms["nonlinearity"]) * (1.0 + 1e-9)
    straight = static_error(replace(found.sensor, nonlinearity=0.0), found.point.torque)
    assert straight == pytest.approx(rest, rel=1e-12)


def test_a_ripple_is_as_large_in_the_budget_as_fidelity_shows_it(described: Description) -> None:
    found = fidelity(described, SPEED, TORQUE)
    plan = plan_of(described)
    frequency = 24.0 * SPEED / (2.0 * math.pi)
    share = abs(found.signal_at(frequency))
    assert 0.5 < share < 0.9
    left = plan.torque_ripple * share / (math.pi * frequency * plan.window)
    assert width(shapes(found.sensor, plan)["ripple"]) == pytest.approx(left, rel=1e-6)
    for f in (10.0, 100.0, 400.0):
        assert amplitude_share(found.sensor, f) == pytest.approx(abs(found.signal_at(f)), rel=1e-6)


def test_a_ripple_at_the_rate_of_the_sensor_stays_whatever_the_window(measured: MeasuredBench) -> None:
    rate = float(measured.sensor.sampling)
    plan = Uncertainty(torque_ripple=2.0, ripple_order=24.0, window=100.0)
    found = torque_components(measured.sensor, TORQUE, 2.0 * math.pi * rate / 24.0, plan)
    (ripple,) = [entry.distribution for entry in found.inputs if entry.name == "torque.ripple"]
    assert width(ripple) == pytest.approx(2.0 * amplitude_share(measured.sensor, rate), rel=1e-9)


def test_drag_and_inertia_up_to_the_sensor_are_those_of_fidelity(
    described: Description, measured: MeasuredBench, budget: PointBudget
) -> None:
    found = fidelity(described, SPEED, TORQUE)
    between = correction(described, found.bench, found.point, 0.1)
    assert budget.point.drag == between.drag_behind_flange
    assert budget.point.inertia == between.inertia_behind_flange > 0.0
    parts = {row.name: abs(row.contribution) for row in budget.propagation["mechanical_power"].contributions}
    limit = SPEED * between.inertia_behind_flange * plan_of(described).speed_drift
    assert parts["joint.inertia"] == pytest.approx(limit / math.sqrt(3.0), rel=1e-6)
    dragging = replace(budget.point, drag=-0.3)
    braked = bench_budget(measured, dragging).propagation["mechanical_power"]
    friction = next(row for row in braked.contributions if row.name == "joint.friction")
    assert abs(friction.contribution) == pytest.approx(0.3 * SPEED / math.sqrt(3.0), rel=1e-6)


def test_the_mean_of_noise_falls_with_the_window(measured: MeasuredBench) -> None:
    sensor = measured.sensor
    assert mean_noise(sensor, 4.0) == pytest.approx(0.5 * mean_noise(sensor, 1.0), rel=1e-9)
    density = (1.0 + sensor.gain_error) * sensor.noise_density
    assert mean_noise(sensor, 1.0) >= density * math.sqrt(0.5)
    slow = replace(sensor, sampling=sensor.sampling * 100)
    assert mean_noise(slow, 1.0) == pytest.approx(density * math.sqrt(0.5), rel=1e-12)


def test_rounding_averages_out_where_noise_moves_it(measured: MeasuredBench) -> None:
    plan = Uncertainty(window=1.0)
    fine = replace(measured.sensor, resolution=1e-3)
    found = shapes(fine, plan)["quantiser"]
    assert found.uncertainty == pytest.approx(1e-3 / math.sqrt(12.0 * 1000.0), rel=1e-9)


def test_power_is_torque_times_speed_and_energy_is_kept(budget: PointBudget) -> None:
    found = budget.propagation
    point = budget.point
    assert found["mechanical_power"].value == pytest.approx(point.torque * point.speed, rel=1e-12)
    assert found["supply_power"].value == pytest.approx(point.supply, rel=1e-12)
    both = found["loss"].value + found["other_loss"].value
    assert both == pytest.approx(point.supply, rel=1e-9)
    assert found["efficiency"].value == pytest.approx(
        point.torque * point.speed / point.powers["drive"], rel=1e-12
    )
    # Zero of the drag: the drive has 90 % and turns 0.01 N m s/rad.
    inner = point.torque + 0.01 * point.speed
    assert found["efficiency"].value == pytest.approx(0.9 * point.torque / inner, rel=1e-3)
    assert budget.motoring


def test_relative_variances_add_in_the_efficiency(described: Description, measured: MeasuredBench) -> None:
    """η = T·ω/P: u²(η)/η² is the sum of the squares where nothing is correlated."""
    plan = replace(plan_of(described), torque_drift=0.0, speed_drift=0.0, torque_ripple=0.0, speed_ripple=0.0)
    found = bench_budget(measured, bench_point(measured, SPEED, TORQUE), plan).propagation
    parts = [found[name] for name in ("torque", "speed", "electrical_power")]
    total = sum((part.uncertainty / part.value) ** 2 for part in parts)
    eta = found["efficiency"]
    assert (eta.uncertainty / eta.value) ** 2 == pytest.approx(total, rel=1e-6)


def test_correlated_meters_help_the_returned_share_and_hurt_the_supply(
    described: Description, measured: MeasuredBench
) -> None:
    point = bench_point(measured, SPEED, TORQUE)
    apart, one = (
        bench_budget(measured, point, replace(plan_of(described), meter_correlation=value)).propagation
        for value in (0.0, 1.0)
    )
    assert one["returned_share"].uncertainty < apart["returned_share"].uncertainty * 1.5
    assert one["supply_power"].uncertainty > 1.3 * apart["supply_power"].uncertainty


def test_where_losses_are_the_better_way(budget: PointBudget) -> None:
    found, comparison = budget.propagation, budget.comparison
    assert comparison is not None
    direct, losses = found["efficiency"], found["efficiency_from_losses"]
    eta = comparison.crossover
    assert eta * direct.expanded / direct.value == pytest.approx(
        (1.0 - eta) * losses.expanded / (1.0 - losses.value), rel=1e-9
    )
    assert (comparison.from_losses < comparison.direct) == (direct.value > eta)


def test_losses_from_the_supply(described: Description) -> None:
    plan = replace(plan_of(described), losses=None)
    text = PLAN.replace('losses = "10 %"', 'supply_meter = { range = "2 kW" }\nsplit = "10 %"')
    assert plan.losses is None and "split" in text
    bench = measured_bench(described)
    from shaftloop.scenario.uncertainty import SupplyMeter

    point = bench_point(bench, SPEED, TORQUE)
    split = replace(plan, supply_meter=SupplyMeter(2000.0), split=0.1)
    first = bench_budget(bench, point, split).propagation["efficiency_from_losses"]
    second = bench_budget(bench, point, plan_of(described)).propagation["efficiency_from_losses"]
    assert first.uncertainty == pytest.approx(second.uncertainty, rel=1e-6)


def test_generating_turns_the_efficiency_round(measured: MeasuredBench) -> None:
    found = bench_budget(measured, bench_point(measured, SPEED, -TORQUE))
    assert not found.motoring
    power = found.point.torque * found.point.speed
    assert found.propagation["efficiency"].value == pytest.approx(found.point.powers["drive"] / power)
    assert "returned_share" not in {entry.name for entry in found.propagation.budgets}


def test_efficiency_above_one_is_not_clipped(measured: MeasuredBench) -> None:
    meters = tuple(replace(meter, class_range=0.05) for meter in measured.description.power_meter)
    poor = replace(measured, description=replace(measured.description, power_meter=meters))
    found = bench_budget(poor, bench_point(measured, SPEED, TORQUE))
    sampled = monte_carlo(found.measurement, 20_000, seed=1)
    names = [result.name for result in sampled.results]
    values = sampled.results[names.index("efficiency")].values
    assert values.max() > 1.2 and 0.1 < (values > 1.0).mean() < 0.5


def test_what_cannot_be_known_is_named(described: Description) -> None:
    bare = measured_bench(replace(described, power_meter=(), uncertainty=None))
    found = bench_budget(bare, bench_point(bare, SPEED, TORQUE))
    assert [entry.name for entry in found.propagation.budgets] == ["torque", "speed", "mechanical_power"]
    said = "\n".join(found.left_out)
    assert 'no [[power_meter]] reads it (on = "drive")' in said
    assert 'returned power and loss of load: no [[power_meter]] reads it (on = "load")' in said
    assert "speed: clock behind the speed (clock_error)" in said
    assert "torque: temperature, zero (uncertainty.temperature)" in said
    assert "torque: bending and axial load (accuracy.parasitic)" in said
    blind = replace(described, line=tuple(part for part in described.line if part.name != "enc"))
    said = "\n".join(bench_budget(measured_bench(blind), found.point).left_out)
    assert "no encoder turns with the sensor" in said
    mute = replace(described.power_meter[0], class_reading=0.0, class_range=0.0)
    dumb = measured_bench(replace(described, power_meter=(mute,)))
    assert "all errors of p-drive (no class is stated)" in "\n".join(bench_budget(dumb, found.point).left_out)


def test_the_window_has_a_best_length_between_noise_and_drift(
    described: Description, measured: MeasuredBench
) -> None:
    point, plan = bench_point(measured, SPEED, TORQUE), plan_of(described)
    curve = window_curve(measured, point, plan, 9)
    assert curve.point == point
    assert set(curve.expanded) == {"torque", "speed", "mechanical_power", "efficiency"}
    for name in ("torque", "speed"):
        values, best = curve.expanded[name], curve.best[name]
        assert values.min() < min(values[0], values[-1])
        assert best is not None and curve.window[0] < best < curve.window[-1]
        near = [
            bench_budget(measured, point, replace(plan, window=best * by)).propagation[name].expanded
            for by in (0.97, 1.0, 1.03)
        ]
        assert near[1] < min(near[0], near[2])


@pytest.mark.parametrize("method", [{}, {"method": "timing", "clock": 1e7}])
def test_errors_of_a_speed_do_not_depend_on_its_sign(measured: MeasuredBench, method: dict[str, Any]) -> None:
    encoder = replace(next(p for p in measured.description.line if isinstance(p, Encoder)), **method)
    plan = Uncertainty(clock_error=1e-4, speed_drift=0.1)
    there, back = (speed_components(encoder, speed, plan) for speed in (80.0, -80.0))
    assert there == back and "speed.time_base" in {entry.name for entry in there.inputs}


def test_no_best_window_where_the_longest_is_best(described: Description, measured: MeasuredBench) -> None:
    calm = replace(plan_of(described), torque_drift=0.0, speed_drift=0.0)
    curve = window_curve(measured, bench_point(measured, SPEED, TORQUE), calm, 5)
    assert curve.best["torque"] is None and curve.best["speed"] is None


def test_the_map_ends_at_the_envelope(described: Description, measured: MeasuredBench) -> None:
    point = bench_point(measured, SPEED, TORQUE)
    found = efficiency_map(measured, (point,), plan_of(described), (3, 3))
    assert found.direct.shape == (3, 3) and np.isfinite(found.direct).any()
    assert (found.direct[np.isfinite(found.direct)] > 0.0).all()
    assert found.torque[-1] == measured.sensor.rated
    again = efficiency_map(measured, (replace(point, torque=-TORQUE),), plan_of(described), (2, 2))
    assert (again.torque < 0.0).all()


@pytest.mark.parametrize(
    ("speed", "torque", "error", "message"),
    [
        (SPEED, 60.0, ScenarioError, "beyond the rated torque of ts, 50 N m"),
        (400.0, 20.0, SimulationError, "3000 rpm|operating point"),
    ],
)
def test_a_point_outside_the_envelope_is_refused(
    measured: MeasuredBench, speed: float, torque: float, error: type[Exception], message: str
) -> None:
    with pytest.raises(error, match=message):
        bench_point(measured, speed, torque)


def test_a_line_without_a_sensor_is_refused(described: Description) -> None:
    line = tuple(part for part in described.line if part.name != "ts")
    with pytest.raises(ScenarioError, match="no torque sensor, so there is no torque to be uncertain of"):
        measured_bench(replace(described, line=line, loop=described.loop[:1], sequence=(), orders=()))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("800 rpm", "write speed and torque"),
        ("800 rpm, 20 kg", "the unit kg does not fit; expected N m"),
        ("0 rpm, 20 N m", "the speed must be above 0"),
    ],
)
def test_a_point_that_is_none(text: str, message: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        read_point(text)
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("ripple_order = 24\n", "", "ripple_order: missing: how often per turn the stated ripple comes"),
        ('losses = "10 %"', 'split = "10 %"', "supply_meter: missing: supply_meter and split go together"),
        (
            'losses = "10 %"',
            'losses = "10 %"\nsupply_meter = { range = "2 kW" }\nsplit = "10 %"',
            "give either losses, or supply_meter and split",
        ),
        ("correlation = 0.5", "correlation = 1.5", "correlation"),
        ("repeatability_dof = 4", "repeatability_dof = 0.5", "repeatability_dof"),
    ],
)
def test_a_bad_table_is_refused(tmp_path: Path, old: str, new: str, message: str) -> None:
    text = METERED + PLAN
    assert old in text
    with pytest.raises(ScenarioError) as caught:
        read_scenario(write_bench(tmp_path, text.replace(old, new, 1)))
    assert message in str(caught.value)
