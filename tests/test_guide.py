"""The guides of docs/adding.md, carried out as they stand: the part runs and counts, the command answers."""

import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from click.testing import CliRunner

from dc_machine import forgotten
from rigs import coupling, describe, servo, speed_loop
from shaftloop import report
from shaftloop.analysis.drags import Drags
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.simulation import simulate
from shaftloop.answers.modes import find_line_modes
from shaftloop.cli.main import cli
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario

GUIDE = Path(__file__).parents[1] / "docs" / "adding.md"
MODULES = ("shaftloop_models.eddy_damper", "shaftloop.bench.parts.eddy_damper")
COMMAND = ("shaftloop.answers.inertia", "shaftloop.report.inertia", "shaftloop.cli.inertia")
TORQUE = 0.05 * 100.0 / (1.0 + (100.0 / 80.0) ** 2)


def guide(what: str, modules: tuple[str, ...]) -> dict[str, str]:
    section = GUIDE.read_text(encoding="utf-8").split(f"## How to add {what}\n")[1].split("\n## ")[0]
    blocks = re.findall(r"```python\n(.*?)```", section, re.DOTALL)
    return dict(zip(modules, blocks, strict=True))


def put_there(name: str, code: str, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    module = ModuleType(name)
    monkeypatch.setitem(sys.modules, name, module)
    exec(compile(code, name, "exec"), vars(module))
    return module


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Description]:
    blocks = guide("a part", MODULES)
    damper = {
        "part": "eddy_damper",
        "name": "eddy",
        "damping": "0.05 N m s/rad",
        "critical_speed": "80 rad/s",
        "inertia": "0.01 kg m^2",
    }
    line = [servo("drive", 0.05), damper, coupling("c", 3e4), servo("load", 0.1)]
    ramp = {"do": "ramp", "loop": "speed", "to": "100 rad/s", "over": "0.1 s"}
    with forgotten():
        for name, block in blocks.items():
            put_there(name, block, monkeypatch)
        yield describe(
            {"line": line, "loop": [speed_loop("drive", 1.0, 5.0)], "sequence": [ramp], "duration": "0.2 s"}
        )


def test_the_part_of_the_guide_counts_everywhere(bench: Description) -> None:
    smooth = HyperMap(bench)
    found = Drags(smooth.bench, smooth.run, [0]).torques(100.0)
    assert found == {"eddy.eddy": pytest.approx(TORQUE, rel=1e-12)}
    run = simulate(bench)
    assert run.energies.losses["eddy.eddy"] > 0.0
    assert max(entry.residual for entry in run.energies.balances) < 1e-4


def test_the_command_of_the_guide_answers(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name, block in guide("a command", COMMAND).items():
        module = put_there(name, block, monkeypatch)
    monkeypatch.setattr(report, "inertia", sys.modules[COMMAND[1]], raising=False)
    monkeypatch.setitem(cli.commands, "inertia", module.inertia)
    monkeypatch.chdir(tmp_path)
    bodies = find_line_modes(read_scenario("wheel-hub")).line.inertias
    found = json.loads(CliRunner().invoke(cli, ["inertia", "wheel-hub", "--json"]).stdout)
    assert found["figures"]["inertia"]["value"] == pytest.approx(float(bodies.sum()))
    shown = CliRunner().invoke(cli, ["inertia", "wheel-hub"])
    assert shown.exit_code == 0 and shown.stdout.startswith("The line holds ")
    assert (tmp_path / "shaftloop-out/wheel-hub/inertia.json").is_file()
    wrong = CliRunner().invoke(cli, ["inertia", "wheel-hub", "--set", "duration=1"])
    assert wrong.exit_code == 2 and "--set duration=1" in wrong.stderr
