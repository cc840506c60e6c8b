"""Two routes to one number: what the analysis says of random benches, and what time simulation shows."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from rigs import Table, describe, sensor, servo, speed_loop, torque_loop
from shaftloop.analysis.fidelity.correction import correction
from shaftloop.analysis.fidelity.pulse import capture
from shaftloop.analysis.fidelity.transfer import fidelity
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.scenario.description import Description

pytestmark = pytest.mark.compiled

Array = NDArray[np.float64]

LOW_PASSES = (
    None,
    {"kind": "first_order", "cutoff": "400 Hz"},
    {"kind": "bessel", "order": 2, "cutoff": "900 Hz"},
    {"kind": "butterworth", "order": 4, "cutoff": "700 Hz"},
)


def logarithmic(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(math.log(low), math.log(high)).map(math.exp)


def bench(
    inertias: tuple[float, float], stiffness: float, low_pass: Table | None, sampled: Table, **rest: object
) -> Table:
    """Return a two-mass bench whose drive makes the torque that a loop without feedback passes on."""
    left, right = inertias
    natural = math.sqrt(stiffness * (1.0 / left + 1.0 / right))
    keys = {"filter": low_pass} if low_pass else {}
    line = [
        servo("drive", left, rate="40 kHz"),
        sensor("ts", stiffness, damping=f"{0.2 * stiffness / natural} N m s/rad", **keys, **sampled),
        servo("load", right),
    ]
    loop = torque_loop("drive", "ts", rate="40 kHz")
    return {"unit": "drive", "line": line, "loop": [loop], **rest}


def amplitude(run: Simulation, name: str, frequency: float, periods: int) -> float:
    """Return the amplitude of a line in the last periods of a channel, its slow drift taken away."""
    whole = run.time >= run.time[-1] - periods / frequency
    time, values = run.time[whole], run.traces[name][whole]
    waves = [np.cos(2.0 * np.pi * frequency * time), np.sin(2.0 * np.pi * frequency * time)]
    found = np.linalg.lstsq(np.column_stack([*waves, np.ones_like(time), time]), values, rcond=None)[0]
    return float(math.hypot(found[0], found[1]))


@settings(max_examples=10, deadline=None, derandomize=True)
@given(
    st.tuples(logarithmic(0.01, 0.2), logarithmic(0.01, 0.2)),
    logarithmic(5e3, 5e4),
    st.sampled_from(LOW_PASSES),
    st.sampled_from([4000, 8000, 10_000]),
    logarithmic(20.0, 1500.0),
    st.integers(0, 3),
)
def test_amplitude_errors_are_those_of_the_time_simulation(
    inertias: tuple[float, float],
    stiffness: float,
    low_pass: Table | None,
    sampling: int,
    frequency: float,
    latency: int,
) -> None:
    sampled = {"sampling": f"{sampling} Hz", "latency": f"{latency} samples", "bits": 16, "range": "400 N m"}
    moves = [{"do": "sine", "loop": "torque", "mean": "0 N m", "amplitude": "100 N m"}]
    moves[0] |= {"frequency": f"{frequency} Hz", "time": "0.4 s"}
    record = {"rate": f"{sampling} Hz"}
    description = describe(bench(inertias, stiffness, low_pass, sampled, sequence=moves, record=record))
    found = fidelity(description, torque=0.0)
    run = simulate(description)
    periods = max(int(0.15 * frequency), 2)
    made, true, read = (
        amplitude(run, name, frequency, periods) for name in ("drive_torque", "true_torque", "reading")
    )
    step_size = found.noise.quantiser_step
    if true > 3.0 * step_size:
        mechanical = abs(found.mechanical_at(frequency)) * found.share
        assert true / made == pytest.approx(mechanical, rel=0.01)
    if read > 3.0 * step_size and frequency < 0.45 * sampling:
        assert read / true == pytest.approx(abs(found.signal_at(frequency)), rel=0.02)


def pulse_file(folder: Path, width: float) -> Path:
    time = np.linspace(0.0, width, 400)
    rows = [f"{t:.9g},{100.0 * math.sin(math.pi * t / width):.9g}" for t in time]
    rows += [f"{width + 0.01:.9g},0"]
    path = folder / f"pulse-{width:.6g}.csv"
    path.write_text("time [s],torque [N m]\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("width", [0.6e-3, 1.5e-3, 5e-3])
@pytest.mark.parametrize("low_pass", [LOW_PASSES[0], LOW_PASSES[2]])
def test_peaks_of_short_pulses_are_those_of_the_time_simulation(
    tmp_path: Path, width: float, low_pass: Table | None
) -> None:
    """Twelve phases of a 4 kHz sensor: best and worst sample of the same pulse."""
    pulse_file(tmp_path, width)
    moves = [{"do": "trace", "loop": "torque", "file": f"pulse-{width:.6g}.csv", "column": "torque [N m]"}]
    peaks, true = [], []
    for phase in range(12):
        sampled = {"sampling": "4 kHz", "phase": f"{phase / 12 * 250:.4g} us"}
        document = bench((0.02, 0.05), 4e4, low_pass, sampled, sequence=moves, duration=f"{width + 0.008} s")
        document["record"] = {"rate": "40 kHz"}
        run = simulate(described(document, tmp_path))
        peaks.append(float(run.traces["reading"].max()))
        true.append(run.peaks["ts.true_torque"][1])
    found = fidelity(described(document, tmp_path), torque=0.0)
    slow = 100.0 * found.share
    both = found.line.then(found.path)
    best, worst = capture(both, width, 1.0 / found.sampling)
    assert true[0] / slow == pytest.approx(capture(found.line, width, 1e-3)[0], rel=0.01)
    assert max(peaks) / slow == pytest.approx(best, rel=0.02)
    assert min(peaks) / slow == pytest.approx(worst, rel=0.02)


def described(document: Table, folder: Path) -> Description:
    """Return the description of a document that stands beside its trace."""
    import tomlkit

    from shaftloop.scenario.reading import read_scenario

    path = folder / "rig.toml"
    path.write_text(tomlkit.dumps({"title": "Rig", **document}), encoding="utf-8")
    return read_scenario(path).description


@settings(max_examples=6, deadline=None, derandomize=True)
@given(
    st.tuples(logarithmic(0.01, 0.2), logarithmic(0.01, 0.2)),
    st.floats(20.0, 120.0),
    st.sampled_from([0.0, 0.004, 0.05]),
    st.sampled_from(["drive", "load"]),
)
def test_inertia_and_drag_bias_are_those_of_the_time_simulation(
    inertias: tuple[float, float], speed: float, viscous: float, unit: str
) -> None:
    """In a long ramp the true torque lacks, or has, what accelerates and brakes the unit."""
    drag = {"viscous": f"{viscous} N m s/rad"}
    line = [
        servo("drive", inertias[0], drag=drag),
        sensor("ts", 3e4, damping="15 N m s/rad"),
        servo("load", inertias[1], drag=drag),
    ]
    moves = [{"do": "ramp", "loop": "speed", "to": f"{speed} rad/s", "over": "0.8 s"}]
    loops = [speed_loop("drive", 20.0 * sum(inertias), 100.0 * sum(inertias)), torque_loop("load", "ts")]
    document = {"unit": unit, "line": line, "loop": loops, "sequence": moves, "duration": "0.8 s"}
    description = describe(document)
    found = fidelity(description)
    run = simulate(description)
    late = run.time > 0.75
    sign = 1.0 if unit == "drive" else -1.0
    difference = sign * run.traces["reading"] - run.traces[f"{unit}_torque"]
    turning = float(run.traces[f"{unit}_speed"][late].mean())
    bias = correction(description, found.bench, found.point, 1.0)
    assert bias.acceleration == pytest.approx(speed / 0.8)
    expected = bias.inertia_bias - viscous * turning
    assert float(difference[late].mean()) == pytest.approx(expected, rel=0.02)


def test_measured_torque_lacks_what_accelerates_the_drive() -> None:
    """E13.3: 40 N m at 200 rad/s²: 40 − 0.05·200 = 30 N m."""
    line = [servo("drive", 0.05), sensor("ts", 2e4, damping="10 N m s/rad"), servo("load", 0.15)]
    ramp = {"do": "ramp", "loop": "speed", "to": "200 rad/s", "over": "1 s"}
    loops = [speed_loop("drive", 1.0, 0.0)]
    moves = [ramp, {"do": "hold", "time": "10 ms"}]
    document = {"unit": "drive", "line": line, "loop": loops, "sequence": moves}
    description = describe(document)
    found = fidelity(description, speed=0.0)
    assert found.share == pytest.approx(0.75)
    bias = correction(description, found.bench, found.point, 1.0)
    assert 40.0 + bias.inertia_bias == pytest.approx(30.0, rel=1e-9)
