"""Checks E1.2, E12.3, E14.2 and others: a geared pump, inertia and torque behind gears, the describing
function of play, the frequencies of two geared rotors, a universal joint at 20 degrees.

Sources stand at each check; the notebooks are transcriptions of textbook examples, the books were not seen.
"""

import math
from typing import Any

import numpy as np
import pytest

from rigs import Table, describe, disc, hold, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.simulation import simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.scenario.description import Description
from shaftloop_models.line import Spring
from shaftloop_models.universal_joint import UniversalJoint


def gear(name: str, ratio: float, **keys: Any) -> Table:
    """Return a gear stage that is stiff and light."""
    plain = {"part": "gear", "name": name, "ratio": ratio, "stiffness": "1e9 N m/rad"}
    light = {"inertia_left": "1e-4 kg m^2", "inertia_right": "1e-4 kg m^2"}
    return {**plain, **light, **keys}


def shaft(name: str, millimetres: float, length: float) -> Table:
    keys = {
        "diameter": f"{millimetres} mm",
        "length": f"{length} mm",
        "shear_modulus": "84 GPa",
        "density": "0 kg/m^3",
    }
    return {"part": "shaft", "name": name, **keys}


def test_e1_2_geared_motor_and_pump() -> None:
    """B. K. Sarkar, Theory of Machines, ch. 11, illustration 12, p. 298; recomputed: 4.2021 Hz."""
    line = [
        servo("motor", 400.0),
        shaft("s1", 45.0, 180.0),
        gear("box", 3.0),
        shaft("s2", 90.0, 450.0),
        disc("pump", 1400.0),
    ]
    modes = find_modes(mechanics(build_bench(describe({"line": line, "duration": "1 ms"}))))
    assert modes[0].frequency == pytest.approx(4.2021, rel=1e-4)


def test_two_geared_rotors_with_and_without_the_gears() -> None:
    """T. Bevan, The Theory of Machines, ch. 15, example 11, p. 587: 84.8, and with the gears 83.6 and 347 Hz.

    Read in github.com/FOSSEE/Python-Textbook-Companions, The_Theory_of_Machines_by_T._Bevan/ch15.ipynb, which
    takes 32.3 ft/s^2. The first shaft, 39.5 in, is what its 66.5 in of equivalent length leave.
    """
    inch, pound = 0.0254, 0.45359237
    weight = pound * inch**2 * 32.2 / 32.3
    rotor, pinion, wheel, far = (weight * inertia for inertia in (1500.0, 54.0, 850.0, 50000.0))
    psi = pound * 32.174 * 12.0 * inch / inch**2

    def modes(left: float, right: float) -> list[float]:
        steel = {"shear_modulus": f"{12e6 * psi} Pa", "density": "0 kg/m^3", "part": "shaft"}
        first = steel | {"name": "s1", "diameter": f"{2.75 * inch} m", "length": f"{39.5 * inch} m"}
        second = steel | {"name": "s2", "diameter": f"{3.5 * inch} m", "length": f"{25.5 * inch} m"}
        box = gear("box", 1.0 / 0.6, inertia_left=f"{left} kg m^2", inertia_right=f"{right} kg m^2")
        line = [servo("a", rotor), first, box, second, disc("d", far)]
        found = find_modes(mechanics(build_bench(describe({"line": line, "duration": "1 ms"}))))
        return [mode.frequency for mode in found]

    assert modes(1e-7, 1e-7)[0] == pytest.approx(84.8, abs=0.15)
    slow, fast = modes(pinion, wheel)[:2]
    assert slow == pytest.approx(83.6, abs=0.15) and fast == pytest.approx(347.0, abs=0.8)


def test_a_universal_joint_at_20_degrees() -> None:
    """T. Bevan, The Theory of Machines, ch. 4, example 1, p. 138: 98.4 to 111.4 rad/s, 1370 rad/s², 1000 rpm.

    Read in github.com/FOSSEE/Python-Textbook-Companions, The_Theory_of_Machines_by_T._Bevan/ch4.ipynb.
    """
    joint = UniversalJoint("universal_joint", "j", math.radians(20.0), 1e4)
    error = next(element.error for element in joint.elements() if isinstance(element, Spring))
    assert error is not None
    speed, angle, n = 1000.0 * math.pi / 30.0, np.linspace(0.0, 2.0 * np.pi, 7201), float(error.order)
    waves = [(k * n, size) for k, size in ((1, error.first), (2, error.second))]
    driven = speed * (1.0 + sum(m * size * np.cos(m * angle) for m, size in waves))
    assert driven.max() == pytest.approx(111.4, abs=0.06) and driven.min() == pytest.approx(98.4, abs=0.06)
    faster = speed**2 * -sum(m**2 * size * np.sin(m * angle) for m, size in waves)
    # Order 6, which is left out, has t³/3 of the angle and 36 times that of the acceleration.
    sixth = 12.0 * math.tan(math.radians(10.0)) ** 6 * speed**2
    assert faster.max() == pytest.approx(1370.0, abs=0.5 + 1.05 * sixth) and sixth < 4.0
    steepest = math.degrees(angle[np.argmax(np.abs(faster))] % (0.5 * math.pi))
    assert min(abs(steepest - 41.43), abs(90.0 - steepest - 41.43)) < 0.2


def driven(box: Table, load: float, torque: float, drag: str) -> Description:
    """Return a motor of 0.2 kg m² that drives an inertia with a constant drag torque through a gear."""
    line = [servo("motor", 0.2), box, sensor("ts", 1e8, damping="1 kN m s/rad"), disc("load", load)]
    line[-1]["drag"] = {"coulomb": drag, "smoothing": "1e-4 rad/s"}
    return describe(
        {
            "line": line,
            "loop": [torque_loop("motor", "ts")],
            "sequence": [step("torque", f"{torque} N m"), hold("1 s")],
        }
    )


def accelerated(description: Description) -> float:
    """Return the mean acceleration of the motor over the last tenth of a run [rad/s^2]."""
    run = simulate(description)
    late = run.time > 0.9 * run.duration
    return float(np.polyfit(run.time[late], run.traces["motor_speed"][late], 1)[0])


HOIST = 1.5 / (1420.0 * 2.0 * math.pi / 60.0)
"""Metres of rope per radian of the motor."""


def test_e12_3_inertia_and_torque_behind_a_gear_and_a_hoist() -> None:
    """G. K. Dubey, Fundamentals of Electrical Drives, example 2.1, p. 16: 0.40175 kg m² and 117.53 N m.

    The line has no branches, so each load is driven alone, and what it adds to the motor is added up.
    """
    loads = [(10.0, 10.0, 0.1, 0.90), (1000.0, 1000.0 * 9.81, HOIST, 0.85)]
    inertia, torque = 0.2, 0.0
    for load, weight, pace, efficiency in loads:
        box = gear("box", 1.0 / pace, efficiency=efficiency, rated=f"{weight} N m")
        slow, fast = (accelerated(driven(box, load, size, f"{weight} N m")) for size in (150.0, 300.0))
        # T = J·a + T0 where the friction of the mesh grows with what the load takes, J·a of it included.
        whole = 150.0 / (fast - slow)
        torque += 150.0 - whole * slow
        inertia += (whole - 0.2) * efficiency
    assert torque == pytest.approx(117.53, rel=1e-3)
    assert inertia == pytest.approx(0.40175, rel=1e-3)


@pytest.mark.parametrize(("amplitude", "expected"), [(1.0, 0.5 - 0.3183j), (2.0, 0.8045 - 0.2387j)])
def test_e14_2_describing_function_of_backlash(amplitude: float, expected: complex) -> None:
    """Gelb and Vander Velde (1968), entry 48: gap 1, a load with friction and next to no inertia."""
    gap, turning = 0.05, 2.0 * math.pi * 4.0
    box = gear(
        "box",
        1.0,
        stiffness="2 kN m/rad",
        backlash=f"{gap} rad",
        inertia_left="0 kg m^2",
        inertia_right="1e-5 kg m^2",
    )
    line = [servo("motor", 0.5), box, disc("load", 1e-6)]
    line[-1]["drag"] = {"viscous": "0.05 N m s/rad"}
    swing = {
        "do": "sine",
        "loop": "speed",
        "mean": "0 rad/s",
        "amplitude": f"{amplitude * gap * turning} rad/s",
        "frequency": "4 Hz",
        "time": "1 s",
    }
    document = {"line": line, "loop": [speed_loop("motor", 500.0, 1e4)], "sequence": [swing]}
    run = simulate(describe({**document, "record": {"rate": "10 kHz", "channels": ["box+load.speed"]}}))
    late = (run.time >= 0.5) & (run.time < 1.0 - 1e-9)
    turn = np.exp(-1j * turning * run.time[late])
    ends = [np.mean(run.traces[name][late] * turn) for name in ("box+load.speed", "motor_speed")]
    found = ends[0] / ends[1]
    assert abs(found - expected) < 0.01
