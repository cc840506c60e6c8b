"""Modes of the line against closed forms; the chains come from `rigs` or are built here."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from shaftloop.analysis.interference import excitations, interference
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.bench.assemble import build_bench
from shaftloop.scenario.description import Description, Part
from shaftloop.scenario.ratios import ShaftOrder
from shaftloop.scenario.reading import read_scenario
from shaftloop_models.coupling import Coupling
from shaftloop_models.flywheel import Flywheel
from shaftloop_models.servo_machine import ServoMachine


def servo(name: str, inertia: float) -> ServoMachine:
    return ServoMachine("machine", "torque_servo", name, inertia, 1e-3, Fraction(4000), 1e3, 300.0)


def chain(inertias: list[float], stiffnesses: list[float], damping: float = 0.0) -> Description:
    line: list[Part] = [servo("drive", inertias[0])]
    for i, (inertia, stiffness) in enumerate(zip(inertias[1:], stiffnesses, strict=True)):
        line.append(Coupling("coupling", f"k{i}", stiffness, damping=damping))
        last = i == len(stiffnesses) - 1
        line.append(servo("load", inertia) if last else Flywheel("flywheel", f"f{i}", inertia=inertia))
    return Description("chain", tuple(line), duration=Fraction(1, 10))


def test_three_discs() -> None:
    """E1.1: Thomson, Theory of Vibration with Applications, example 12.4-1; frequencies derived from it."""
    modes = find_modes(mechanics(build_bench(chain([5.0, 11.0, 22.0], [0.1e6, 0.2e6]))))
    assert [2.0 * np.pi * mode.frequency for mode in modes] == pytest.approx([123.666, 202.658], rel=5e-4)
    first = list(modes[0].shape.values())
    assert np.array(first[1:]) / first[0] == pytest.approx([0.2353, -0.3449], rel=5e-3)
    assert sum(modes[0].strains.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("count", [2, 4, 9, 40])
def test_uniform_chain(count: int) -> None:
    """E1.4: 2·sqrt(k/J)·sin(nπ/2N), derived from first principles."""
    modes = find_modes(mechanics(build_bench(chain([0.5] * count, [8e3] * (count - 1)))))
    wanted = 2.0 * np.sqrt(8e3 / 0.5) * np.sin(np.pi * np.arange(1, count) / (2 * count)) / (2.0 * np.pi)
    assert [mode.frequency for mode in modes] == pytest.approx(wanted, rel=1e-6)


def test_two_masses_with_viscous_damping() -> None:
    """E13.4: ψ = 0.7854 as viscous damping 3.2275 N m s/rad gives ζ = 0.0625 at 123.28 Hz (derived)."""
    (mode,) = find_modes(mechanics(build_bench(chain([0.05, 0.10], [2e4], 3.2275))))
    assert mode.frequency == pytest.approx(123.281, rel=1e-4)
    assert mode.damping_ratio == pytest.approx(0.0625, rel=1e-3)
    assert mode.weakest == "k0"


def test_meetings_lie_where_an_order_has_the_frequency_of_a_mode() -> None:
    description = read_scenario("wheel-hub").description
    bench = build_bench(description)
    modes = find_modes(mechanics(bench))
    found = interference(bench, modes, 80.0)
    assert found.meetings
    for meeting in found.meetings:
        assert meeting.excitation.order * meeting.speed / (2.0 * np.pi) == pytest.approx(
            modes[meeting.mode - 1].frequency, rel=1e-9
        )
    orders = {excitation.order for excitation in excitations(replace(description, orders=(ShaftOrder(7.0),)))}
    assert {1.0, 2.0, 7.0} <= orders
