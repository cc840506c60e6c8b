"""The guide of docs/adding.md, carried out as it stands: its part is read, runs, and counts in analyses."""

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from dc_machine import forgotten
from rigs import coupling, describe, servo, speed_loop
from shaftloop.analysis.drags import Drags
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.simulation import simulate
from shaftloop.scenario.description import Description

GUIDE = Path(__file__).parents[1] / "docs" / "adding.md"
MODULES = ("shaftloop_models.eddy_damper", "shaftloop.bench.parts.eddy_damper")
TORQUE = 0.05 * 100.0 / (1.0 + (100.0 / 80.0) ** 2)


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Description]:
    section = GUIDE.read_text(encoding="utf-8").split("## How to add a part\n")[1].split("\n## ")[0]
    blocks = re.findall(r"```python\n(.*?)```", section, re.DOTALL)
    assert len(blocks) == len(MODULES)
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
        for name, block in zip(MODULES, blocks, strict=True):
            module = ModuleType(name)
            monkeypatch.setitem(sys.modules, name, module)
            exec(compile(block, name, "exec"), vars(module))
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
