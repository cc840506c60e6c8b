"""What a study takes, told ahead: it grows with what is asked, and names what drives it."""

from pathlib import Path

import pytest
from whatif import FIGURE, STIFFNESS, design, read

from shaftloop.studies.whatif.estimate import CostEstimate, estimated
from shaftloop.studies.whatif.reading import read_study

RUN = '[[response]]\nmetric = "simulate.torque_overshoot"\n'
MARGINS = '[[response]]\nmetric = "margins.torque.ms"\n'
DELAY = '[[response]]\nmetric = "margins.torque.delay_margin"\n'


def of(folder: Path, *blocks: str) -> CostEstimate:
    study, plan = read(folder, STIFFNESS, *blocks, design("grid"))
    return estimated(study, plan.total)


def test_the_estimate_grows_with_what_is_asked(tmp_path: Path) -> None:
    modes = of(tmp_path, FIGURE)
    assert (modes.candidates, modes.records, modes.driver) == (4, 0, "modes")
    assert modes.seconds == pytest.approx(4 * (0.003 + 0.005))
    run = of(tmp_path, FIGURE, RUN)
    assert run.records == 200 and set(run.parts) == {"reading", "runs of 0.02 s", "modes"}
    margins, delay = of(tmp_path, MARGINS), of(tmp_path, DELAY)
    assert margins.driver == delay.driver == "margins"
    assert 0.005 < margins.parts["margins"] < delay.parts["margins"] < 1.0


def test_a_long_run_drives_the_estimate(tmp_path: Path) -> None:
    study, _ = read(tmp_path, STIFFNESS, RUN, design("grid"))
    short = estimated(study, 1).parts["runs of 0.02 s"]
    path = tmp_path / "s.toml"
    path.write_text(path.read_text().replace("duration=20 ms", "duration=20 s"))
    long = estimated(read_study(path), 1)
    assert long.driver == "runs of 20 s"
    assert long.parts["runs of 20 s"] > 20.0 * short
