"""From a name plate to a machine that has its figures, and plates that contradict themselves."""

import math
from dataclasses import replace

import pytest

from shaftloop_models.induction_machine import pull_out_torque
from shaftloop_models.name_plate import NamePlate, NamePlateError, estimate

PLATE = NamePlate(7500.0, 1455.0 * math.pi / 30.0, 400.0, 50.0, 0.85, 0.88, 2.8)


@pytest.mark.parametrize(
    "plate",
    [
        PLATE,
        NamePlate(550.0, 2800.0 * math.pi / 30.0, 400.0, 50.0, 0.8, 0.7, 2.2),
        NamePlate(75e3, 1780.0 * math.pi / 30.0, 460.0, 60.0, 0.86, 0.945, 2.5),
        NamePlate(4000.0, 720.0 * math.pi / 30.0, 400.0, 50.0, 0.74, 0.84, 2.3),
    ],
    ids=["7kW", "2pole", "60Hz", "8pole"],
)
def test_the_circuit_has_the_figures_of_the_plate(plate: NamePlate) -> None:
    """Solved anew as a circuit of phasors at the rated slip."""
    found = estimate(plate)
    c, omega, volts = found.circuit, 2.0 * math.pi * plate.frequency, math.sqrt(2.0 / 3.0) * plate.voltage
    rotor = c.rotor / found.slip + 1j * omega * c.leakage
    across = 1.0 / (c.iron + 1.0 / (1j * omega * c.main) + 1.0 / rotor)
    current = volts / (c.stator + across)
    drawn = 1.5 * volts * current.real
    airgap = 1.5 * abs(current * across / rotor) ** 2 * c.rotor / found.slip
    shaft = airgap * (1.0 - found.slip) - found.friction * plate.speed
    assert shaft == pytest.approx(plate.power, rel=1e-9)
    assert shaft / drawn == pytest.approx(plate.efficiency, rel=1e-9)
    assert current.real / abs(current) == pytest.approx(plate.power_factor, rel=1e-9)
    most = pull_out_torque(c, found.pole_pairs, volts, omega)
    assert most / found.torque == pytest.approx(plate.pull_out, rel=1e-6)
    assert abs(current) == pytest.approx(found.current, rel=1e-9)


@pytest.mark.parametrize(
    ("plate", "says"),
    [
        (replace(PLATE, speed=1500.0 * math.pi / 30.0), "speed 1500 rpm does not go with 50 Hz"),
        (replace(PLATE, speed=1150.0 * math.pi / 30.0), "speed 1150 rpm does not go with 50 Hz"),
        (replace(PLATE, speed=3100.0 * math.pi / 30.0), "speed 3100 rpm does not go with 50 Hz"),
        (replace(PLATE, efficiency=0.97), "speed and efficiency contradict each other: a slip of 3 % alone"),
        (replace(PLATE, power_factor=1.0 - 1e-12), "power factor 1 leaves no current that could magnetise"),
        (
            replace(PLATE, pull_out=9.0),
            "pull-out ratio 9 contradicts power, slip and power factor.* the largest",
        ),
        (
            replace(PLATE, pull_out=0.5),
            "pull-out ratio 0.5 contradicts power, slip and power factor.* smallest",
        ),
    ],
)
def test_a_plate_that_contradicts_itself_is_refused(plate: NamePlate, says: str) -> None:
    with pytest.raises(NamePlateError, match=says):
        estimate(plate)
