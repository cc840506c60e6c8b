"""Modes of the line against published and closed-form cases: E1.1, E1.3, E1.4, E5.7 and E13.4."""

import numpy as np
import pytest

from rigs import Table, coupling, describe, disc, sensor, servo, speed_loop
from shaftloop.analysis.modes import Mechanics, find_modes, mechanics
from shaftloop.bench.assemble import build_bench
from shaftloop_models.shaft import Section, stepped_stiffness

INCH, POUND, FEET, GRAVITY = 0.0254, 4.4482216152605, 0.3048, 32.2


def line_of(parts: list[Table]) -> Mechanics:
    loop = speed_loop(parts[0]["name"], 1.0, 0.0)
    return mechanics(build_bench(describe({"duration": "1 s", "line": parts, "loop": [loop]}), smooth=True))


def chain(inertias: list[float], stiffnesses: list[float]) -> Mechanics:
    """Return a line of discs; the outermost are machines."""
    parts = [servo("left", inertias[0])]
    for i, (inertia, stiffness) in enumerate(zip(inertias[1:-1], stiffnesses, strict=False)):
        parts += [coupling(f"k{i}", stiffness), disc(f"d{i}", inertia)]
    return line_of([*parts, coupling("last", stiffnesses[-1]), servo("right", inertias[-1])])


def two_masses(jm: float, jl: float, k: float, **keys: str) -> Mechanics:
    return line_of([servo("motor", jm), sensor("ts", k, **keys), servo("load", jl)])


def test_three_discs_of_holzers_table() -> None:
    """E1.1. W. T. Thomson, Theory of Vibration with Applications, example 12.4-1.

    The check prints the shapes column by column: as rows, (1, 0.2353, −1.0535) has momentum left over.
    """
    line = chain([5.0, 11.0, 22.0], [0.1e6, 0.2e6])
    first, second = find_modes(line)
    assert (first.frequency, second.frequency) == pytest.approx((19.682, 32.254), rel=5e-4)
    for mode, known in ((first, (1.0, 0.2353, -0.3449)), (second, (1.0, -1.0535, 0.2995))):
        shape = np.array(list(mode.shape.values()))
        assert shape / shape[0] == pytest.approx(known, abs=5e-4)
        assert abs(line.inertias @ shape) < 1e-9
        assert np.abs(shape).max() == 1.0 and mode.damping_ratio == 0.0


@pytest.mark.parametrize(
    ("omega", "angles", "torques"),
    [
        (20.0, (1.0, 0.980, 0.9484), (2.000e3, 6.312e3, 14.66e3)),
        (40.0, (1.0, 0.920, 0.799), (8.00e3, 24.19e3, 52.32e3)),
    ],
)
def test_rows_of_holzers_table_from_the_plant_matrix(
    omega: float, angles: tuple[float, ...], torques: tuple[float, ...]
) -> None:
    """E1.1. The line driven at a trial frequency by a torque at its right end, which makes up the rest."""
    line = chain([5.0, 11.0, 22.0], [0.1e6, 0.2e6])
    drive = np.zeros(len(line.a))
    drive[2] = 1.0 / np.sqrt(line.inertias[2])
    state = np.linalg.solve(1j * omega * np.eye(len(line.a)) - line.a, drive)
    theta = state[:3] / np.sqrt(line.inertias)
    theta = (theta / theta[0]).real
    assert theta == pytest.approx(angles, rel=5e-4)
    assert np.cumsum(omega**2 * line.inertias * theta) == pytest.approx(torques, rel=5e-4)


def test_stepped_shaft_between_two_flywheels() -> None:
    """E1.3. T. Bevan, The Theory of Machines, chapter 15, example 8."""
    sizes = ((3.0, 11.0), (5.0, 10.0), (3.5, 15.0), (7.0, 4.0), (5.0, 10.0))
    sections = [{"diameter": f"{d * INCH} m", "length": f"{length * INCH} m"} for d, length in sizes]
    modulus = 12e6 * POUND / INCH**2
    unit = POUND / GRAVITY * FEET  # one lb ft² of weight times radius squared
    shaft = {
        "part": "shaft",
        "name": "stepped",
        "sections": sections,
        "shear_modulus": f"{modulus} Pa",
        "density": "0 kg/m^3",
    }
    line = line_of([servo("I1", 1500.0 * unit), shaft, servo("I2", 1000.0 * unit)])
    (mode,) = find_modes(line)
    assert mode.frequency == pytest.approx(22.26, rel=3e-3)
    assert mode.frequency != pytest.approx(23.8, rel=3e-2)  # the misprint of the notebook
    ratio = mode.shape["I1"] / (mode.shape["I1"] - mode.shape["I2"])
    assert 21.824 * ratio == pytest.approx(8.73, rel=3e-3)  # node, from I1
    stiffness = stepped_stiffness(tuple(Section(d * INCH, s * INCH) for d, s in sizes), modulus)
    assert stiffness / (POUND * INCH) == pytest.approx(4.3726e6, rel=3e-3)


@pytest.mark.parametrize("count", [2, 3, 4, 9, 25, 40])
def test_uniform_chain_has_the_closed_form(count: int) -> None:
    """E1.4. ω = 2·sqrt(k/J)·sin(nπ/2N); mode n of body i ∝ cos(nπ(2i − 1)/2N)."""
    inertia, k = 0.02, 3e4
    modes = find_modes(chain([inertia] * count, [k] * (count - 1)))
    n = np.arange(1, count)
    known = 2.0 * np.sqrt(k / inertia) * np.sin(n * np.pi / (2 * count)) / (2.0 * np.pi)
    assert [mode.frequency for mode in modes] == pytest.approx(known, rel=1e-9)
    body = np.arange(1, count + 1)
    for number, mode in enumerate(modes, 1):
        shape = np.cos(number * np.pi * (2 * body - 1) / (2 * count))
        assert abs(np.corrcoef(list(mode.shape.values()), shape)[0, 1]) == pytest.approx(1.0, abs=1e-9)


def test_shapes_of_four_equal_discs() -> None:
    """E1.4. Shapes (1, 0.41421, −0.41421, −1), (1, −1, −1, 1), (1, −2.41421, 2.41421, −1)."""
    modes = find_modes(chain([1.0] * 4, [1.0] * 3))
    assert [2.0 * np.pi * mode.frequency for mode in modes] == pytest.approx(
        [0.765367, 1.414214, 1.847759], abs=1e-6
    )
    known = ((1.0, 0.41421, -0.41421, -1.0), (1.0, -1.0, -1.0, 1.0), (1.0, -2.41421, 2.41421, -1.0))
    for mode, shape in zip(modes, known, strict=True):
        found = np.array(list(mode.shape.values()))
        assert found / found[0] == pytest.approx(shape, abs=1e-5)


@pytest.mark.parametrize(
    ("jm", "jl", "k", "resonance", "anti"),
    [(0.01, 0.02, 1000.0, 61.640, 35.588), (0.05, 0.10, 2e4, 123.281, 71.176)],
)
def test_two_mass_drive(jm: float, jl: float, k: float, resonance: float, anti: float) -> None:
    """E5.7. Standard two-mass model."""
    line = two_masses(jm, jl, k)
    (mode,) = find_modes(line)
    assert mode.frequency == pytest.approx(resonance, rel=1e-4)
    assert line.antiresonances("motor") == pytest.approx([anti], rel=1e-4)
    assert mode.frequency / line.antiresonances("motor")[0] == pytest.approx(np.sqrt(1 + jl / jm), rel=1e-4)
    assert mode.strains == {"ts": pytest.approx(1.0)}
    assert mode.amplification == {"motor": None, "load": None}


def test_air_gap_torque_reaches_the_shaft() -> None:
    """E5.7. Static gain JL/(JM + JL), gain at 50 Hz 0.79792; from the load side −JM/(JM + JL)."""
    line = two_masses(0.05, 0.10, 2e4)
    gain = line.torque_response("motor", np.array([1e-3, 50.0]))
    assert np.abs(gain) == pytest.approx([0.66667, 0.79792], rel=1e-4)
    assert line.torque_response("load", np.array([1e-3]))[0].real == pytest.approx(-1.0 / 3.0, rel=1e-4)


def test_viscous_damping_ratio() -> None:
    """E13.4. ψ = 0.7854 as viscous damping at resonance: c = 3.2275 N m s/rad, ζ = 0.0625, V = 8."""
    (mode,) = find_modes(two_masses(0.05, 0.1, 2e4, damping="3.2275 N m s/rad"))
    assert 2.0 * np.pi * mode.frequency == pytest.approx(774.60, rel=1e-4)
    zeta = mode.damping_ratio
    assert zeta == pytest.approx(0.0625, rel=1e-3)
    assert 2.0 * np.pi * zeta / np.sqrt(1.0 - zeta**2) == pytest.approx(0.3935, rel=1e-3)
    # At resonance the shaft carries V·JL/(JM + JL) of the motor's torque, in quadrature.
    assert mode.amplification["motor"] == pytest.approx(8.0 * 2.0 / 3.0, rel=1e-2)


@pytest.mark.parametrize("psi", [0.1, 0.4, 0.7854])
def test_relative_damping_of_a_coupling(psi: float) -> None:
    """E13.4. ζ = ψ/4π where the losses are small; the exact value of a constant loss factor else."""
    parts = [servo("motor", 0.05), coupling("c", 2e4, loss_factor_psi=psi), servo("load", 0.1)]
    (mode,) = find_modes(line_of(parts))
    exact = -np.cos(np.pi / (2.0 - 2.0 / np.pi * np.arctan(psi / (2.0 * np.pi))))
    assert mode.damping_ratio == pytest.approx(exact, rel=0.03)
    assert mode.damping_ratio == pytest.approx(psi / (4.0 * np.pi), rel=0.06)
    # The stated stiffness is the dynamic one at 100 Hz, the middle of the band, near this resonance.
    assert mode.frequency == pytest.approx(123.281, rel=0.02)
