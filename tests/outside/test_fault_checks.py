"""What failures do to a line, against closed forms.

Each derived from first principles:

- A PM machine with shorted terminals, ωe its electrical speed: the voltage equations with u = 0 give
  ``iq = −ωe·ψ·R/(R² + ωe²·Ld·Lq)`` and ``id = −ωe²·ψ·Lq/(R² + ωe²·Ld·Lq)``; without saliency the braking
  torque is largest, ``1.5·p·ψ²/(2·L)``, at ``ωe = R/L``.
- Two masses on one spring when the torque goes away: the spring unloads about zero, so the shaft torque
  swings between plus and minus what it carried.
- A line with Coulomb and viscous drag coasts to rest in ``J/d·ln(1 + d·ω/c)``.
"""

import math

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from rigs import Table, coupling, describe, servo, speed_loop, step
from shaftloop.analysis.simulation import Simulation, simulate

POLES, RESISTANCE, FLUX = 4, 0.05, 0.12
MACHINE: Table = {
    "part": "machine",
    "model": "pm_synchronous",
    "name": "pm",
    "inertia": "0.02 kg m^2",
    "pole_pairs": POLES,
    "resistance": f"{RESISTANCE} ohm",
    "flux_linkage": f"{FLUX} Wb",
    "current_limit": "200 A",
    "max_speed": "3000 rpm",
    "rated_torque": "100 N m",
    "current_control": {"rate": "10 kHz", "bandwidth": "500 Hz"},
}


def shorted(speed: float, direct: float, quadrature: float) -> Simulation:
    """Return a PM machine that is shorted while another machine turns it at a speed."""
    machine = {**MACHINE, "inductance_d": f"{direct} H", "inductance_q": f"{quadrature} H"}
    line = [servo("drive", 0.05, time_constant="1 ms"), coupling("c", 2e4, damping="5 N m s/rad"), machine]
    loop = speed_loop("drive", 20.0, 2000.0)
    document = {"line": line, "loop": [loop], "supply": {"voltage": "600 V"}, "duration": "1 s"}
    moves = [{"do": "ramp", "loop": "speed", "to": f"{speed} rad/s", "over": "0.3 s"}]
    fault = {"name": "short", "on": "pm", "kind": "shorted", "at": "0.4 s"}
    return simulate(describe({**document, "sequence": moves, "fault": [fault]}))


def braking(speed: float, direct: float, quadrature: float) -> float:
    """Return the torque of the closed form [N m]."""
    electrical = speed * POLES
    size = RESISTANCE**2 + electrical**2 * direct * quadrature
    q, d = -electrical * FLUX * RESISTANCE / size, -(electrical**2) * FLUX * quadrature / size
    return 1.5 * POLES * (FLUX + (direct - quadrature) * d) * q


MACHINES = pytest.mark.parametrize(("direct", "quadrature"), [(4e-4, 4e-4), (3e-4, 6e-4)])


@MACHINES
@pytest.mark.parametrize("share", [0.3, 1.0, 4.0])
def test_braking_torque_of_a_shorted_machine(share: float, direct: float, quadrature: float) -> None:
    speed = share * RESISTANCE / direct / POLES
    found = shorted(speed, direct, quadrature)
    assert found.traces["pm_torque"][-20:] == pytest.approx(braking(speed, direct, quadrature), rel=1e-10)
    assert found.energies.residual < 1e-5


@MACHINES
def test_where_the_braking_torque_of_a_shorted_machine_is_largest(direct: float, quadrature: float) -> None:
    """Searched for by runs, and in the closed form; it is flat there, so its place is known less well."""
    way = {"bounds": (10.0, 80.0), "method": "bounded", "options": {"xatol": 0.02}}
    run = minimize_scalar(lambda speed: shorted(speed, direct, quadrature).traces["pm_torque"][-1], **way)
    closed = minimize_scalar(braking, args=(direct, quadrature), **way)
    assert run.x == pytest.approx(closed.x, rel=1e-3) and run.fun == pytest.approx(closed.fun, rel=1e-7)
    if direct == quadrature:
        assert run.x == pytest.approx(RESISTANCE / direct / POLES, rel=1e-3)
        assert run.fun == pytest.approx(-1.5 * POLES * FLUX**2 / (2.0 * direct), rel=1e-7)


def test_a_line_that_loses_its_torque_swings_about_zero() -> None:
    """E13.3: it carries the share of the right inertia, and swings over by all of it but for the damping.

    ``T = T0·e^(−ζωt)·(cos ω't − ζ/√(1 − ζ²)·sin ω't)`` with the damper's share, from 1 µs on, the lag of the
    machine.
    """
    left, right, stiffness, torque, damper = 0.05, 0.1, 2e4, 10.0, 3.0
    line = [servo("drive", left), coupling("c", stiffness, damping=f"{damper} N m s/rad")]
    line.append(servo("load", right))
    loop = speed_loop("drive", 1e3, 0.0, clamp=f"{torque} N m")
    document: Table = {"line": line, "loop": [loop], "record": {"rate": "10 kHz"}, "duration": "0.6 s"}
    fault = {"name": "off", "on": "drive", "kind": "torque_off", "at": "0.55 s"}
    found = simulate(describe({**document, "sequence": [step("speed", "1000 rpm")], "fault": [fault]}))
    carried = torque * right / (left + right)
    after = found.time > 0.55
    assert found.traces["c_torque"][~after][-1] == pytest.approx(carried, rel=1e-9)
    frequency = math.sqrt(stiffness * (1.0 / left + 1.0 / right))
    zeta = 0.5 * damper * (1.0 / left + 1.0 / right) / frequency
    root = math.sqrt(1.0 - zeta**2)
    passed = found.time[after] - 0.55 - 1e-6
    turned = frequency * root * passed
    expected = carried * np.exp(-zeta * frequency * passed) * (np.cos(turned) - zeta / root * np.sin(turned))
    assert np.allclose(found.traces["c_torque"][after], expected, rtol=0.0, atol=1e-6 * carried)
    # Its lowest point, between the records: half a turn less twice the angle of damping, as far as to rest.
    lowest = math.pi - 2.0 * math.asin(zeta)
    least = carried * math.exp(-zeta / root * lowest) * (math.cos(lowest) - zeta / root * math.sin(lowest))
    assert found.peaks["c"][0] == pytest.approx(least, rel=1e-5)


def test_coasting_with_coulomb_and_viscous_drag() -> None:
    inertia, coulomb, viscous, speed = 0.15, 2.0, 0.02, 100.0
    drag = {"coulomb": f"{coulomb} N m", "viscous": f"{viscous} N m s/rad", "smoothing": "0.01 rad/s"}
    line = [servo("drive", 0.1), coupling("c", 2e4, damping="20 N m s/rad"), servo("load", 0.05, drag=drag)]
    loop = speed_loop("drive", 100.0, 1000.0)
    moves = [{"do": "ramp", "loop": "speed", "to": f"{speed} rad/s", "over": "0.5 s"}]
    fault = {"name": "off", "on": "drive", "kind": "torque_off", "at": "1 s"}
    document = {"line": line, "loop": [loop], "sequence": moves, "fault": [fault], "duration": "8 s"}
    found = simulate(describe({**document, "record": {"rate": "1 kHz"}}))
    expected = inertia / viscous * math.log(1.0 + viscous * speed / coulomb)
    half = inertia / viscous * math.log((viscous * speed + coulomb) / (0.5 * viscous * speed + coulomb))
    turning = found.time[found.traces["drive_speed"] > 0.01]
    assert turning[-1] - 1.0 == pytest.approx(expected, rel=1e-3)
    now = float(np.interp(1.0 + half, found.time, found.traces["drive_speed"]))
    assert now == pytest.approx(0.5 * speed, rel=1e-3)
