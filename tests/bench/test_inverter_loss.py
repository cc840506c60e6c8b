"""What an inverter loses, with the part that follows the voltage of the link, against closed forms."""

import numpy as np
import pytest

from rigs import shipped
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import ScenarioError

CHANNELS = 'record.channels=["drive.current_d", "drive.current_q"]'
SWITCHING = [f"line.drive.inverter.{key}" for key in ("switching=0.75 V", "switching_voltage=300 V")]
LIVE = (*SWITCHING, CHANNELS)
SHORT = ("duration=0.6 s", CHANNELS)


def amperes(run: Simulation, machine: str) -> np.ndarray:
    """Return the peak phase current over time."""
    return np.hypot(*(run.traces[f"{machine}.current_{axis}"] for axis in "dq"))


def test_at_its_own_voltage_switching_is_a_loss_per_current_bit_for_bit() -> None:
    """1.1 V once as 0.35 V and 0.75 V: on a stiff link nothing else depends on it."""
    keys = [f"line.drive.inverter.{key}" for key in ("switching=0.75 V", "switching_voltage=400 V")]
    split = simulate(
        shipped("wheel-hub", "supply.voltage=400 V", "line.drive.inverter.proportional=0.35 V", *keys, *SHORT)
    )
    whole = simulate(shipped("wheel-hub", "supply.voltage=400 V", *SHORT))
    assert split.energies.losses == whole.energies.losses
    assert all(np.array_equal(split.traces[name], whole.traces[name]) for name in whole.traces)


def test_on_a_stiff_link_it_goes_with_the_voltage() -> None:
    """The currents stay, so the meters differ by us·(V2 − V1)/V0·∫|i|."""
    volts = ("supply.voltage=400 V", "supply.voltage=520 V")
    runs = [simulate(shipped("wheel-hub", stated, *SWITCHING, *SHORT)) for stated in volts]
    low, high = (run.energies.losses["drive.inverter"] for run in runs)
    through = float(np.trapezoid(amperes(runs[0], "drive"), runs[0].time))
    assert high - low == pytest.approx(0.75 * 120.0 / 300.0 * through, rel=2e-3)


@pytest.fixture(scope="module")
def braked() -> Simulation:
    return simulate(shipped("rectifier-hub", *LIVE))


def test_on_a_live_link_it_follows_the_voltage_and_energy_closes(braked: Simulation) -> None:
    """The loss over the stop, while the link is up at the levels of its resistor, and over all of the run."""
    current, volts = amperes(braked, "drive"), braked.traces["link_voltage"]
    loss = 35.0 + (1.1 + 0.75 * volts / 300.0) * current + 0.004 * current**2
    assert braked.energies.losses["drive.inverter"] == pytest.approx(
        float(np.trapezoid(loss, braked.time)), rel=1e-3
    )
    assert volts.max() > 1.1 * volts[0]
    assert braked.energies.residual < 1e-5
    assert all(balance.residual < 1e-5 for balance in braked.energies.balances)


def test_lanes_have_the_bits_of_single_runs(braked: Simulation) -> None:
    others = [shipped("rectifier-hub", *LIVE, f"loop.torque.kp={kp}") for kp in (0.1, 0.11)]
    outcomes = list(simulate_many(others))
    assert all(outcome.in_lanes for outcome in outcomes)
    assert outcomes[0].simulation.energies.losses == braked.energies.losses


def test_an_inverter_below_undervoltage_loses_nothing_without_current() -> None:
    """An empty link is charged through a resistor: nothing is drawn below 90 % of 300 V."""
    empty = ("supply.initial_voltage=0 V", "supply.precharge_resistance=100 ohm")
    lost = shipped("rectifier-hub", *empty, *LIVE)
    run = simulate(lost)
    up = int(np.argmax(run.traces["link_voltage"] > 0.9 * 300.0))
    energy = run.traces["drive_energy"]
    assert up > 100 and np.abs(energy[: up - 1]).max() < 1e-9 and energy[-1] > 1.0


@pytest.mark.parametrize("key", ["switching=0.75 V", "switching_voltage=300 V"])
def test_one_key_without_the_other_is_refused(key: str) -> None:
    with pytest.raises(ScenarioError, match="state both or neither"):
        shipped("wheel-hub", f"line.drive.inverter.{key}")
