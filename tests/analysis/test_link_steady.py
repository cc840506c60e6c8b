"""A link whose voltage is a state, on the smooth bench: its steady state and its small motions."""

import math

import numpy as np
import pytest

from rigs import RECTIFIER, describe, fed_bench, hold, ramp, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.operating import operating_point
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop.studies.tuning.choosing import TuningDemand
from shaftloop.studies.tuning.results import Tuning
from shaftloop.studies.tuning.tolerance import Corner
from shaftloop.studies.tuning.tune import tune
from shaftloop_models.supply import Rectifier

UP = [ramp("1500 rpm", "0.3 s"), step("torque", "80 N m"), hold("0.5 s")]
BRAKE = {"name": "brake", "resistance": "20 ohm", "on_level": "700 V", "off_level": "680 V"}


def found(supply, **more) -> tuple[HyperMap, np.ndarray, float, float]:
    """Return the map of a bench, its steady state, and voltage and current of its supply there."""
    bench = HyperMap(fed_bench(supply, UP, **more))
    state = held_state(bench, operating_point(bench.bench))
    link = bench.bench.link
    return bench, state, float(state[link.ports.voltage.index]), float(state[link.source.current.index])


@pytest.mark.parametrize(
    ("inductance", "capacitance", "stable"), [(0.5, 2.0, True), (8.0, 0.05, False), (3.0, 0.2, True)]
)
def test_constant_power_behind_an_inductance_is_unstable_beyond_its_bound(
    inductance, capacitance, stable
) -> None:
    """Closed form: with P constant, C·V' = I − P/V and L·I' = E − V − R·I are stable where R/L > P/(C·V²)."""
    keys = {"source_inductance": f"{inductance} mH", "capacitance": f"{capacitance} mF"}
    bench, state, volts, current = found(RECTIFIER | keys, efficiency=0.8)
    supply = bench.bench.description.supply
    assert isinstance(supply, Rectifier)
    size, drop = 2.0 * supply.source_inductance, 2.0 * supply.source_resistance + supply.commutation()
    assert volts == pytest.approx(supply.nominal() - drop * current, rel=1e-9)
    rate = current / (supply.capacitance * volts)
    assert (drop / size > rate) is stable
    exact = np.linalg.eigvals([[rate, 1.0 / supply.capacitance], [-1.0 / size, -drop / size]])
    map_poles = np.linalg.eigvals(bench.dynamics(state))
    poles = np.log(map_poles[np.abs(map_poles) > 1e-6].astype(complex)) / bench.hyperperiod
    assert (bench.bench.link.rings(state) == "") is stable
    for pole in exact:
        assert np.min(np.abs(poles - pole)) < 1e-5 * abs(pole)
    assert bool(np.max(np.abs(map_poles)) < 1.0) is stable


NEAR = {"source_inductance": "8 mH"}
"""A choke that leaves little damping."""


def tuned(description: Description, *corners: Description) -> Tuning:
    """Return what `tune` makes of the torque loop."""
    others = [Corner(f"corner {i}", corner) for i, corner in enumerate(corners)]
    return tune([Corner("nominal", description), *others], TuningDemand(("torque",)))


def test_tuning_keeps_to_the_bound_of_constant_power() -> None:
    """Just inside it gains are found with which the map is calm; beyond it, also in a corner, none are."""
    bench, _, volts, current = found(RECTIFIER | NEAR | {"capacitance": "1 mF"}, efficiency=0.8)
    damped = (0.04 + bench.bench.description.supply.commutation()) / 16e-3
    bound = 1e6 * current / (volts * damped)
    inside, beyond = (
        fed_bench(RECTIFIER | NEAR | {"capacitance": f"{share * bound:.5g} uF"}, UP, efficiency=0.8)
        for share in (1.05, 0.95)
    )
    found_gains = tuned(inside)
    assert found_gains.feasible
    again = HyperMap(found_gains.description)
    point = operating_point(again.bench)
    assert np.max(np.abs(np.linalg.eigvals(again.dynamics(held_state(again, point))))) < 1.0
    for corners in ([beyond], [inside, beyond]):
        with pytest.raises(SimulationError, match="no gains of loop torque") as caught:
            tuned(*corners)
        advice = caught.value.advice
        assert advice.startswith("nominal" if corners == [beyond] else "corner 0")
        assert "P/(C·V²)" in advice and "whatever the gains" in advice
        enough = float(advice.split("capacitance to ")[1].split(" uF")[0])
        assert bound < enough < 1.2 * bound


def test_a_run_grows_where_the_map_says_unstable() -> None:
    from shaftloop.analysis.simulation import simulate

    keys = {"source_inductance": "8 mH", "capacitance": "0.05 mF"}
    run = simulate(fed_bench(RECTIFIER | keys, [*UP, hold("0.3 s")], efficiency=0.8))
    volts = run.traces["link_voltage"]
    assert np.ptp(volts[-800:]) > 20.0
    calm = simulate(fed_bench(RECTIFIER, [*UP, hold("0.3 s")], efficiency=0.8)).traces["link_voltage"]
    assert np.ptp(calm[-800:]) < 1.0


def test_power_that_nothing_takes_has_no_steady_state_and_a_resistor_holds_it_in_proportion() -> None:
    plain = {"time_constant": "1 ms", "max_torque": "200 N m", "max_speed": "4000 rpm", "rate": "8 kHz"}
    fed = plain | {"idle_loss": "0 W"}
    line = [servo("drive", 0.05, **fed), sensor("ts", 6e4, sampling="8 kHz"), servo("load", 0.05, **fed)]
    loops = [speed_loop("drive", 5.0, 100.0, rate="8 kHz"), torque_loop("load", "ts", rate="8 kHz")]
    rig = {"line": line, "loop": loops, "sequence": UP, "supply": RECTIFIER}
    full = HyperMap(describe(rig))
    state = np.array(full.bench.model.layout.initial)
    state[full.bench.link.ports.voltage.index] = 640.0
    assert full.bench.link.runs_full(state)
    held = HyperMap(describe(rig | {"brake_resistor": [BRAKE]}))
    assert not held.bench.link.runs_full(state)
    link = held.bench.link
    for volts, share in ((670.0, 0.0), (685.0, 0.25), (690.0, 0.5), (720.0, 1.0)):
        begin = np.array(held.bench.model.layout.initial)
        begin[link.ports.voltage.index] = volts
        after = held.walk(begin, np.array([1]))[0]
        slot = held.bench.model.layout.number("brake.share")
        assert after[slot] == pytest.approx(share, abs=0.01)


def test_the_message_of_a_full_link(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = HyperMap(fed_bench(RECTIFIER, UP))
    monkeypatch.setattr(HyperMap, "_fixed", lambda self, state: None)
    monkeypatch.setattr(type(bench.bench.link), "runs_full", lambda self, state: True)
    with pytest.raises(SimulationError, match="its rectifier blocks and no brake resistor takes it"):
        bench.steady(operating_point(bench.bench))
    assert math.isfinite(bench.hyperperiod)
