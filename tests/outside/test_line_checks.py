"""Checks E1.1, E1.4, E5.7, E13.3 and E13.4 on the assembled line: its matrix and its runs."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import find_peaks

from rigs import coupling, describe, disc, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.simulation import simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench

Array = NDArray[np.float64]


def chain(inertias: list[float], stiffnesses: list[float], damping: float = 0.0) -> Bench:
    """Return a line of discs; the outermost are machines."""
    keys = {"damping": f"{damping} N m s/rad"} if damping else {}
    line = [servo("left", inertias[0])]
    for i, (inertia, stiffness) in enumerate(zip(inertias[1:-1], stiffnesses, strict=False)):
        line += [coupling(f"k{i}", stiffness, **keys), disc(f"d{i}", inertia)]
    line += [coupling("last", stiffnesses[-1], **keys), servo("right", inertias[-1])]
    return build_bench(describe({"duration": "1 s", "line": line, "loop": [speed_loop("left", 1.0, 0.0)]}))


def mechanics(bench: Bench) -> Array:
    """Return the part of A for speeds and twists."""
    units = [unit for _, unit in bench.model.plant.network.states]
    rows = [i for i, unit in enumerate(units) if unit in ("rad/s", "rad")]
    return bench.model.plant.a[np.ix_(rows, rows)]


def natural(bench: Bench) -> Array:
    """Return the natural frequencies, rising, without the rigid one [rad/s]."""
    values = np.linalg.eigvals(mechanics(bench)).imag
    return np.sort(values[values > 1e-6 * np.abs(values).max()])


def test_three_discs_of_holzers_table() -> None:
    bench = chain([5.0, 11.0, 22.0], [0.1e6, 0.2e6])
    assert natural(bench) == pytest.approx([123.67, 202.66], rel=5e-4)
    values, vectors = np.linalg.eig(mechanics(bench))
    speeds = [node.speed.index for node in bench.line.nodes]
    for frequency, mode in ((123.67, (0.2353, -0.3449)), (202.66, (-1.0535, 0.2995))):
        shape = vectors[speeds, np.argmin(np.abs(values - 1j * frequency))]
        assert (shape[1:] / shape[0]).real == pytest.approx(mode, abs=5e-4)
        assert 5.0 + 11.0 * mode[0] + 22.0 * mode[1] == pytest.approx(0.0, abs=5e-3)  # momentum
    assert np.abs(values).min() < 1e-6


@pytest.mark.parametrize("count", [2, 3, 4, 10, 25, 40])
def test_uniform_chain_has_the_closed_form(count: int) -> None:
    bench = chain([0.02] * count, [3e4] * (count - 1))
    known = 2.0 * np.sqrt(3e4 / 0.02) * np.sin(np.arange(1, count) * np.pi / (2 * count))
    assert natural(bench) == pytest.approx(known, rel=1e-6)
    assert len(bench.line.nodes) == count
    smallest = np.abs(np.linalg.eigvals(mechanics(bench))).min()
    assert smallest < 1e-6 * known[0]


@pytest.mark.parametrize(
    ("jm", "jl", "k", "resonance", "anti"),
    [(0.01, 0.02, 1000.0, 61.640, 35.588), (0.05, 0.10, 2e4, 123.281, 71.176)],
)
def test_two_mass_drive(jm: float, jl: float, k: float, resonance: float, anti: float) -> None:
    bench = chain([jm, jl], [k])
    assert natural(bench) / (2.0 * np.pi) == pytest.approx([resonance], rel=1e-4)
    a = mechanics(bench)
    drive = bench.line.nodes[0].speed.index
    held = np.delete(np.delete(a, drive, 0), drive, 1)  # the drive's speed kept at zero
    zeros = np.abs(np.linalg.eigvals(held).imag)
    assert zeros.max() / (2.0 * np.pi) == pytest.approx(anti, rel=1e-4)
    assert resonance / anti == pytest.approx(np.sqrt(1.0 + jl / jm), rel=1e-4)


@pytest.mark.parametrize(("frequency", "gain"), [(0.1, 0.66667), (50.0, 0.79792)])
def test_air_gap_torque_reaches_the_shaft(frequency: float, gain: float) -> None:
    plant = chain([0.05, 0.10], [2e4]).model.plant
    names = [name for name, _ in plant.network.states]
    torque, twist = names.index("left.torque"), names.index("last.twist")
    s = 2j * np.pi * frequency
    rest = [i for i, name in enumerate(names) if not name.endswith("torque")]
    a = plant.a[np.ix_(rest, rest)]
    response = np.linalg.solve(s * np.eye(len(rest)) - a, plant.a[rest, torque])
    assert 2e4 * abs(response[rest.index(twist)]) == pytest.approx(gain, rel=1e-4)


def test_step_of_torque_overshoots_to_twice_the_mean() -> None:
    line = [servo("drive", 0.05), sensor("ts", 2e4), servo("load", 0.1)]
    loop = torque_loop("drive", "ts")
    moves = [step("torque", "10 N m")]
    record = {"rate": "20 kHz"}
    document = {"duration": "40 ms", "line": line, "loop": [loop], "sequence": moves, "record": record}
    result = simulate(describe(document))
    assert result.peaks["ts.true_torque"][1] == pytest.approx(13.333, rel=1e-3)
    torque = result.traces["true_torque"]
    period = 1.0 / 123.281
    whole = result.time < 4.0 * period
    assert torque[whole].mean() == pytest.approx(6.667, rel=2e-3)
    first = result.time[np.argmax(torque[result.time < 0.75 * period])]
    assert first == pytest.approx(0.5 * period, abs=5e-5)


@pytest.mark.compiled
def test_measured_torque_lacks_what_accelerates_the_drive() -> None:
    """40 N m at 200 rad/s²: 40 − 0.05·200 = 30 N m reach the sensor."""
    line = [servo("drive", 0.05), sensor("ts", 2e4, damping="10 N m s/rad"), servo("load", 0.15)]
    moves = [step("torque", "40 N m")]
    document = {"duration": "200 ms", "line": line, "loop": [torque_loop("drive", "ts")], "sequence": moves}
    result = simulate(describe(document))
    speed = result.traces["drive_speed"]
    assert (speed[-1] - speed[-101]) * 100.0 == pytest.approx(200.0, rel=1e-3)
    assert result.traces["true_torque"][-1] == pytest.approx(30.0, rel=1e-3)
    assert result.traces["reading"][-1] == pytest.approx(30.0, rel=1e-3)


def test_relative_damping_as_viscous_damping() -> None:
    """ψ = 0.7854 at ω = 774.6 rad/s: 3.2275 N m s/rad, ζ = 0.0625, V = 8, decrement 0.3935."""
    psi, k = 0.7854, 2e4
    (omega,) = natural(chain([0.05, 0.1], [k]))
    damping = psi * k / (2.0 * np.pi * omega)
    assert (omega, damping) == (pytest.approx(774.60, rel=1e-4), pytest.approx(3.2275, rel=1e-3))
    values = np.linalg.eigvals(mechanics(chain([0.05, 0.1], [k], damping)))
    pair = values[np.argmax(values.imag)]
    zeta = -pair.real / abs(pair)
    assert (zeta, 0.5 / zeta) == (pytest.approx(0.0625, rel=1e-3), pytest.approx(8.0, rel=1e-3))


@pytest.mark.compiled
def test_free_oscillation_decays_by_the_logarithmic_decrement() -> None:
    line = [servo("drive", 0.05), sensor("ts", 2e4, damping="3.2275 N m s/rad"), servo("load", 0.1)]
    moves = [step("torque", "10 N m")]
    record = {"rate": "100 kHz"}
    loop = torque_loop("drive", "ts")
    document = {"duration": "50 ms", "line": line, "loop": [loop], "sequence": moves, "record": record}
    torque = simulate(describe(document)).traces["true_torque"] - 20.0 / 3.0
    peaks = torque[find_peaks(torque)[0]]
    assert len(peaks) >= 5
    assert np.log(peaks[:-1] / peaks[1:])[:4] == pytest.approx([0.3935] * 4, rel=1e-3)
