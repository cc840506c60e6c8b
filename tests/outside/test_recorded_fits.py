"""Benches fitted to recorded plants, against what is published of them.

Sources stand beside the data: A. Janot, M. Gautier, M. Brunot, Data Set and Reference Models of EMPS, 2019
(mass 95.109 kg, viscous friction 203.50 N s/m, Coulomb friction 20.39 N, offset -3.165 N); T. Wigren,
M. Schoukens, Coupled Electric Drives Data Set and Reference Models, Uppsala University TR 2017-024 (simulated
fit of u1 76.6 %).
"""

from pathlib import Path

import numpy as np
import pytest

from shaftloop.answers.identify import find_fit
from shaftloop.report.identify import fit as room
from shaftloop.scenario.reading import read_scenario

DATA = Path(__file__).parents[3] / "shared" / "data"
HERE = Path(__file__).parent / "data"


def log(folder: Path, name: str, *columns: str) -> Path:
    """Return a table that says how a recorded log is to be read."""
    if not (DATA / name).is_file():
        pytest.skip("the recorded data are not here")
    (folder / name).write_bytes((DATA / name).read_bytes())
    text = f'[log]\nfile = "{name}"\ntime = "t_s"\ntime_unit = "s"\n' + "".join(
        f"[[log.column]]\n{column}\n" for column in columns
    )
    path = folder / f"{Path(name).stem}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_positioning_system(tmp_path: Path) -> None:
    path = log(
        tmp_path,
        "emps_train.csv",
        'header = "q_meas_m"\nchannel = "drive_setpoint"\nunit = "rad"\nrate_over = "40 ms"\nplays = true',
        'header = "u_drive_V"\nchannel = "drive_command"\nunit = "N m"\ngain = 35.1507\nmean_over = "40 ms"',
    )
    scenario = read_scenario(HERE / "positioning-system.toml")
    free = ["line.axis.inertia", "line.axis.drag.viscous", "line.axis.drag.coulomb"]
    answer = find_fit(scenario, [path], [*free, "log.u_drive_V.zero=0 N m ± 10 N m"], held_out=0.05)
    mass, viscous, coulomb, offset = (entry.value for entry in answer.fit.estimates)
    assert mass + 5.0 == pytest.approx(95.109, rel=0.005)
    assert viscous == pytest.approx(203.50, rel=0.02)
    assert coulomb == pytest.approx(20.39, rel=0.02)
    # Friction that differs between the directions: half the difference is the zero of the force.
    assert offset == pytest.approx(-3.165, rel=0.05)


def test_coupled_drives_and_one_gain_that_does_not_serve_both(tmp_path: Path) -> None:
    logs = [
        log(
            tmp_path,
            f"ced_u{n}.csv",
            f'header = "u{n}_V"\nchannel = "drive_command"\nunit = "N m"\nplays = true',
            f'header = "z{n}_ticks_per_s"\nchannel = "pulley.speed"\nunit = "rad/s"\nsize_only = true',
        )
        for n in (1, 11)
    ]
    scenario = read_scenario(HERE / "coupled-drives.toml")
    free = ["line.motors.inertia", "line.belt.stiffness", "line.belt.damping", "line.motors.drag.viscous"]
    answer = find_fit(scenario, logs[:1], [*free, "line.motors.dead_time=20 ms"], others=logs[1:])
    assert answer.judgement.shares[0] >= 0.65
    found = {entry.free.path: entry.value for entry in answer.fit.estimates}
    k, d, drag = (found[path] for path in free[1:])
    inertia, pulley = found[free[0]], 0.03
    a = [
        [-(d + drag) / inertia, d / inertia, -k / inertia],
        [d / pulley, -d / pulley, k / pulley],
        [1, -1, 0],
    ]
    pair = max(np.linalg.eigvals(np.array(a)), key=lambda pole: pole.imag)
    assert 20.0 <= abs(pair) <= 21.5 and 0.09 <= -pair.real / abs(pair) <= 0.16
    assert answer.judged[0].shares["pulley.speed"] < 0.5
    assert any("one set of values does not serve both" in reason for reason in answer.against)
    assert room.verdict(answer)[0].startswith("The log contradicts the bench: ")
