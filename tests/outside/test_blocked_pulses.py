"""A machine whose inverter has its pulses blocked, against closed forms.

- Steady state of a machine with magnets on a diode bridge, averaged: the bridge puts u = 2/pi*V against the
  current, so with E = p*w*psi and X = p*w*L, (R*I + u)^2 + (X*I)^2 = E^2 where Ld = Lq; with saliency the two
  voltage equations hold with u opposite to the current, solved here by scipy. Mohan, Undeland, Robbins, Power
  Electronics, section 5-6 (fundamental of a bridge); Fitzgerald, Kingsley, Umans, Electric Machinery, chapter
  5. From memory.
- Power balance: the link gets 3/pi*V*I, the shaft gives that and 1.5*R*I^2.
"""

import math
from typing import Any

import numpy as np
import pytest
from scipy.optimize import fsolve

from rigs import RECTIFIER, Table, describe, sensor, servo, speed_loop
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import ScenarioError

POLES, RESISTANCE, FLUX, VOLTS = 4, 0.05, 0.12, 300.0
BRIDGE = 2.0 / math.pi
MACHINE: Table = {
    "part": "machine",
    "model": "pm_synchronous",
    "name": "pm",
    "inertia": "0.02 kg m^2",
    "pole_pairs": POLES,
    "resistance": f"{RESISTANCE} ohm",
    "flux_linkage": f"{FLUX} Wb",
    "current_limit": "300 A",
    "max_speed": "8000 rpm",
    "rated_torque": "100 N m",
    "current_control": {"rate": "10 kHz", "bandwidth": "500 Hz"},
}


def turned(
    speed: float, direct: float = 4e-4, quadrature: float = 4e-4, *, machine: Table | None = None, **keys: Any
) -> Simulation:
    """Return a machine that another one turns at a speed, and whose pulses are blocked on the way there."""
    own = {"inductance_d": f"{direct} H", "inductance_q": f"{quadrature} H", **(machine or {})}
    drive, ts = servo("drive", 0.05, time_constant="1 ms"), sensor("ts", 2e4, damping="5 N m s/rad")
    line = [drive, ts, {**MACHINE, **own}]
    moves = [{"do": "ramp", "loop": "speed", "to": f"{speed} rad/s", "over": "0.3 s"}]
    fault = {"name": "off", "on": "pm", "kind": "pulses_off", "at": "0.2000123 s"}
    document: Table = {
        "line": line,
        "loop": [speed_loop("drive", 20.0, 2000.0)],
        "supply": {"voltage": f"{VOLTS} V"},
    }
    document |= {"duration": "0.8 s", "sequence": moves, "fault": [fault]}
    document |= {"record": {"channels": ["pm.current_d", "pm.current_q"]}}
    found = simulate(describe({**document, **keys}))
    assert found.energies.residual < 1e-5
    return found


def steady(speed: float, direct: float, quadrature: float, volts: float) -> tuple[float, float]:
    """Return the currents of the steady state, by the voltage equations."""
    turning = POLES * speed

    def left(currents: np.ndarray[Any, Any]) -> list[float]:
        d, q = currents
        size = math.hypot(d, q)
        return [
            -BRIDGE * volts * d / size - RESISTANCE * d + turning * quadrature * q,
            -BRIDGE * volts * q / size - RESISTANCE * q - turning * (direct * d + FLUX),
        ]

    d, q = fsolve(left, [-50.0, -50.0], xtol=1e-13)
    return float(d), float(q)


@pytest.mark.parametrize(("direct", "quadrature"), [(4e-4, 4e-4), (3e-4, 6e-4)])
@pytest.mark.parametrize("over", [1.02, 1.3, 1.8])
def test_currents_and_braking_torque_of_blocked_pulses(over: float, direct: float, quadrature: float) -> None:
    speed = over * BRIDGE * VOLTS / (POLES * FLUX)
    found = turned(speed, direct, quadrature)
    d, q = steady(speed, direct, quadrature, VOLTS)
    assert found.traces["pm.current_d"][-1] == pytest.approx(d, rel=1e-4)
    assert found.traces["pm.current_q"][-1] == pytest.approx(q, rel=1e-4)
    torque = 1.5 * POLES * (FLUX + (direct - quadrature) * d) * q
    assert torque < 0.0 and found.traces["pm_torque"][-1] == pytest.approx(torque, rel=1e-4)
    if direct == quadrature:
        reactance, size = POLES * speed * direct, math.hypot(d, q)
        assert (RESISTANCE * size + BRIDGE * VOLTS) ** 2 + (reactance * size) ** 2 == pytest.approx(
            (POLES * speed * FLUX) ** 2
        )
    late = found.time > 0.7
    power = np.polyfit(found.time[late], found.traces["pm_energy"][late], 1)[0]
    assert power == pytest.approx(-3.0 / math.pi * VOLTS * math.hypot(d, q), rel=1e-4)
    shaft = torque * speed
    assert -shaft == pytest.approx(-power + 1.5 * RESISTANCE * (d * d + q * q), rel=1e-4)


def test_below_the_voltage_of_the_link_nothing_flows() -> None:
    speed = 0.98 * BRIDGE * VOLTS / (POLES * FLUX)
    found = turned(speed)
    late = found.time > 0.35
    assert np.max(np.abs(found.traces["pm_torque"][late])) < 1e-8
    assert np.ptp(found.traces["pm_energy"][late]) < 1e-6


SUPPLY = RECTIFIER | {"line_voltage": "200 V", "capacitance": "20 mF"}


def coasting(supply: Table) -> Simulation:
    """Return a line that turns on after its drive has lost its torque and the machine its pulses."""
    machine = {
        **MACHINE,
        "inductance_d": "0.4 mH",
        "inductance_q": "0.4 mH",
    }
    drive = servo("drive", 0.3, time_constant="1 ms")
    line = [drive, sensor("ts", 2e4, damping="5 N m s/rad"), machine]
    moves = [{"do": "ramp", "loop": "speed", "to": f"{SPEED} rad/s", "over": "1 s"}]
    lost = {"name": "lost", "on": "drive", "kind": "torque_off", "at": "1.05 s"}
    off = {"name": "off", "on": "pm", "kind": "pulses_off", "at": "1.0500321 s"}
    document: Table = {
        "line": line,
        "loop": [speed_loop("drive", 20.0, 200.0, clamp="300 N m")],
        "supply": supply,
    }
    document |= {"duration": "1.5 s", "sequence": moves, "fault": [lost, off]}
    found = simulate(describe(document))
    assert found.energies.residual < 1e-5
    return found


SPEED = 1.5 * BRIDGE * 270.0 / (POLES * FLUX)


def test_a_link_that_nothing_holds_rises_to_what_the_magnets_make() -> None:
    """Then no current flows and the line turns on."""
    found = coasting(SUPPLY)
    made = POLES * FLUX * found.traces["pm_speed"][-1]
    # The line swings as the current comes; the link keeps the highest.
    assert made / BRIDGE <= found.traces["link_voltage"][-1] < 1.02 * made / BRIDGE
    assert found.traces["link_voltage"][np.searchsorted(found.time, 1.05)] < 300.0
    late = found.time > 1.45
    assert np.ptp(found.traces["pm_speed"][late]) < 1e-3 and abs(found.traces["supply_current"][-1]) < 1e-6


def test_a_resistor_across_the_link_takes_what_the_diodes_feed() -> None:
    """The link discharges through a resistor, slowly beside its capacitor: 3/pi*I = V/R + C*V'."""
    ohms = 20.0
    found = coasting(SUPPLY | {"discharge_resistance": f"{ohms} ohm"})
    volts, late = found.traces["link_voltage"], found.time > 1.4
    slope = np.polyfit(found.time[late], volts[late], 1)[0]
    middle = np.searchsorted(found.time, 1.45)
    d, q = steady(found.traces["pm_speed"][middle], 4e-4, 4e-4, volts[middle])
    assert volts[middle] > 300.0
    assert 3.0 / math.pi * math.hypot(d, q) == pytest.approx(volts[middle] / ohms + 20e-3 * slope, rel=5e-3)


@pytest.mark.parametrize("supply", [{"voltage": f"{VOLTS} V"}, SUPPLY])
@pytest.mark.parametrize("on", [{}, {"on": "pm"}])
def test_an_interlock_that_blocks_the_pulses_does_what_the_fault_does(supply: Table, on: Table) -> None:
    speed = 1.3 * BRIDGE * VOLTS / (POLES * FLUX)
    limit = {"name": "l", "watches": "pm", "above": f"{0.9 * speed} rad/s", "action": "pulses_off", **on}
    by_limit = turned(speed, fault=[], limit=[limit], supply=supply)
    (event,) = [event for event in by_limit.events if event.kind == "pulses_off"]
    fault = {"name": "off", "on": "pm", "kind": "pulses_off", "at": f"{event.tick} ns"}
    by_fault = turned(speed, fault=[fault], supply=supply)
    for name, trace in by_fault.traces.items():
        assert np.allclose(by_limit.traces[name], trace, rtol=1e-9, atol=1e-9), name
    assert by_limit.traces["pm_torque"][-1] < -10.0


def test_a_short_ends_what_the_diodes_do_whichever_comes_first() -> None:
    speed, ends = 1.3 * BRIDGE * VOLTS / (POLES * FLUX), []
    for first, second in (("pulses_off", "shorted"), ("shorted", "pulses_off")):
        both = [
            {"name": "a", "on": "pm", "kind": first, "at": "0.2 s"},
            {"name": "b", "on": "pm", "kind": second, "at": "0.25 s"},
        ]
        ends.append(turned(speed, fault=both).traces["pm_torque"][-1])
    alone = turned(speed, fault=[{"name": "a", "on": "pm", "kind": "shorted", "at": "0.25 s"}])
    assert ends == pytest.approx([alone.traces["pm_torque"][-1]] * 2, rel=1e-6)


def test_magnets_that_are_warm_make_less() -> None:
    """At a flux of 0.1 % per kelvin less, 80 K warmer, a speed above the cold threshold makes no current."""
    heat = {
        "winding_capacity": "2 kJ/K",
        "winding_resistance": "0.01 K/W",
        "housing_capacity": "50 kJ/K",
        "housing_resistance": "10 K/W",
        "flux_coefficient": "-1e-3 1/K",
        "start": "100 degC",
    }
    speed = 1.04 * BRIDGE * VOLTS / (POLES * FLUX)
    cold, warm = turned(speed), turned(speed, machine={"heat": heat})
    assert cold.traces["pm_torque"][-1] < -10.0
    assert np.max(np.abs(warm.traces["pm_torque"][warm.time > 0.4])) < 1e-6


def test_what_a_machine_without_magnets_and_pulses_is_told() -> None:
    line = [servo("drive", 0.05), sensor("ts", 2e4), servo("pm", 0.05)]
    for keys, message in (
        (
            {"fault": [{"name": "f", "on": "pm", "kind": "pulses_off", "at": "1 ms"}]},
            "nothing that pm can suffer",
        ),
        (
            {"limit": [{"name": "l", "watches": "pm", "above": "1 rpm", "action": "pulses_off"}]},
            "no machine with magnets",
        ),
    ):
        with pytest.raises(ScenarioError) as raised:
            describe({"line": line, "duration": "10 ms", **keys})
        assert message in str(raised.value)
