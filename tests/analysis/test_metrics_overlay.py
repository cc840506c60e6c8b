"""A measured run laid over a simulated one, and files that are no measured run."""

import math
from pathlib import Path

import numpy as np
import pytest

from shaftloop.analysis.overlay import lay_over, read_measurement
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import read_scenario


@pytest.fixture(scope="module")
def run() -> Simulation:
    return simulate(read_scenario("reference-bench", ["duration=50 ms"]).description)


def write(folder: Path, text: str) -> Path:
    path = folder / "measured.csv"
    path.write_text(text, encoding="utf-8")
    return path


def table(header: str, *columns: np.ndarray) -> str:
    rows = "\n".join(",".join(map(repr, row)) for row in zip(*(c.tolist() for c in columns), strict=True))
    return f"{header}\n{rows}\n"


def test_difference_is_simulated_minus_measured_in_the_unit_of_the_channel(
    run: Simulation, tmp_path: Path
) -> None:
    rpm = run.traces["drive_speed"] * 30.0 / math.pi
    text = table("time [s],drive_speed [rpm],oil [Nm]", run.time - 0.003, rpm - 6.0, 0.0 * rpm)
    found = lay_over(run, read_measurement(write(tmp_path, text)), 0.003)
    entry = found.channels["drive_speed"]
    assert entry.unit == "rad/s"
    assert (entry.mean, entry.rms) == (
        pytest.approx(6.0 * math.pi / 30.0),
        pytest.approx(6.0 * math.pi / 30.0),
    )
    assert found.left_out == ("oil",)


def test_what_is_no_measurement_is_left_out(run: Simulation, tmp_path: Path) -> None:
    torque = run.traces["true_torque"].copy()
    text = table("time [s],true_torque [N m]", run.time, torque).splitlines()
    text[10] = text[10].split(",")[0] + ",lost"
    text.insert(20, text[19].split(",")[0] + ",77")
    found = lay_over(run, read_measurement(write(tmp_path, "\n".join(text)), ['missing=["lost"]']))
    entry = found.channels["true_torque"]
    assert len(entry.time) == len(torque) - 1 and entry.rms == 0.0
    assert found.measurement.findings.repeated == 1
    assert found.measurement.findings.columns[0].missing == 1


def test_only_the_stretch_that_both_cover_counts(run: Simulation, tmp_path: Path) -> None:
    time = np.arange(-0.01, 0.06, 0.001)
    bump = np.where(np.abs(time - 0.02) < 1e-6, 4.0, 0.0)
    measured = np.interp(time, run.time, run.traces["true_torque"]) + bump
    path = write(tmp_path, table("time [s],true_torque [N m]", time, measured))
    entry = lay_over(run, read_measurement(path)).channels["true_torque"]
    assert entry.time[0] >= -1e-12 and entry.time[-1] <= run.time[-1]
    assert entry.worst == (pytest.approx(-4.0), pytest.approx(0.02))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", 'no column of time is named "time", the first one is nothing'),
        ("time [s]\n0\n1\n", 'the file has no column besides the time; add, e.g., "true_torque [N m]"'),
        ("time [s],a [s],a [s]\n", 'two columns are named "a"; leave one out'),
        ("time [s],reading [N m]\n0,1\n", "1 rows of numbers; a measured run needs at least 2"),
        ("time [s],reading [N m]\n0,1\n0.1\n", "measured.csv:3: 1 columns where the header has 2"),
        (
            "time [s],reading [N m]\n0,1\n0.1,x\n",
            'measured.csv:3: "x" is no number; write a decimal point and no unit',
        ),
        ('time [s],reading [N m]\n0,1\n"0.1,2\n', "measured.csv:"),
        ("time [s],reading [N m]\n0,1\n0.1,1_0\n", 'measured.csv:3: "1_0" is no number'),
        ("time [s],reading [N m]\n0,1\n\u0661,1\n", 'measured.csv:3: "\u0661" is no number'),
        ("time [s],reading [N m]\n0,1\n1e9999,1\n", '"1e9999" is no finite number of a usual size'),
        ("time [s],\x1b[31mreading [N m]\n", r"measured.csv:1: the character '\x1b' in a cell"),
    ],
)
def test_bad_files_are_named_with_their_line(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        read_measurement(write(tmp_path, text))
    assert message in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match="cannot be read: No such file"):
        read_measurement(tmp_path / "nothing.csv")


@pytest.mark.parametrize(
    ("header", "shift", "message"),
    [
        (
            "true_torqe [N m]",
            0.0,
            "no column is a recorded channel; nearest: true_torque; recorded are: true_torque",
        ),
        ("true_torque", 0.0, 'column "true_torque" states no unit; name it like "true_torque [N m]"'),
        ("true_torque [rpm]", 0.0, 'column "true_torque [rpm]": the unit rpm does not fit'),
        ("true_torque [bogus]", 0.0, 'column "true_torque [bogus]": unknown unit "bogus"'),
        (
            "true_torque [N m]",
            9.0,
            "does not overlap the run, 0 s to 0.0499 s; shift it with `offset`",
        ),
    ],
)
def test_what_cannot_be_compared(
    run: Simulation, tmp_path: Path, header: str, shift: float, message: str
) -> None:
    path = write(tmp_path, f"time [s],{header}\n0,1\n0.1,2\n")
    with pytest.raises(ScenarioError) as caught:
        lay_over(run, read_measurement(path), shift)
    assert message in str(caught.value)
