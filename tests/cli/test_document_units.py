"""The unit at every path of every JSON document: read once by hand, held since.

DEVELOPERS.md says how to write the list anew; read what changes.
"""

import json
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from shaftloop.cli.main import cli
from uncertainty_bench import METERED, PLAN

LIST = Path(__file__).with_name("units.json")

BENCH = (
    METERED.replace(
        'stiffness = "20 kN m/rad"',
        """stiffness = "20 kN m/rad"
angular_offset = "1 deg"
parallel_offset = "0.1 mm"
pitch_diameter = "60 mm"
uneven_share = 0.5
bending_stiffness = "2 kN m/rad"
radial_stiffness = "1 MN/m\"""",
    ).replace("drag = { viscous", 'ripple = [{ order = 12, amplitude = "0.5 N m" }]\ndrag = { viscous')
    + PLAN
    + """
[[expect]]
metric = "margins.torque.phase_margin"
at_least = "20 deg"

[[expect]]
metric = "simulate.torque_rise_time"
at_most = "1 s"
"""
)

STUDY = """\
title = "Couplings"
scenario = "bench.toml"
settings = ["duration=20 ms"]
expectations = false

[design]
kind = "grid"

[[factor]]
path = "line.c1.stiffness"
values = ["20 kN m/rad", "30 kN m/rad"]

[[objective]]
metric = "modes.1.frequency"
goal = "maximise"
"""

MEASUREMENT = """\
title = "Power of a shaft"
quantity.torque = { value = "90 N m", distribution = "rectangular", half_width = "0.2 N m" }
quantity.speed = { value = "800 rpm", expanded_uncertainty = "1 rpm", coverage_factor = 2 }

[[measurement]]
name = "power"
expression = "torque*speed"
unit = "kW"
"""

COMMANDS = {
    "show": "show bench.toml",
    "simulate": "simulate bench.toml --verify",
    "modes": "modes bench.toml",
    "size": "size bench.toml --no-faults",
    "faults": "faults bench.toml --fault load.blocked",
    "margins": "margins bench.toml --map --vary loop.torque.kp=0.1..0.2:2 --inject multisine --at 20_Hz",
    "fidelity": "fidelity bench.toml --crosstalk 0.5_% --lever 20_mm --encoder-clock 10_MHz "
    "--encoder-error 0.01_mrad --at 20_Hz",
    "tune": "tune bench.toml --loop torque --structure pi",
    "tune of a speed loop": "tune bench.toml --loop speed --structure pi",
    "check": "check bench.toml",
    "study": "study study.toml --workers 1",
    "uncertainty": "uncertainty bench.toml --map --trials 2000",
    "uncertainty of a file": "uncertainty power.toml --trials 20000",
    "report": "report bench.toml --only expectations",
    "a fit": "identify bench.toml log/traces.npz --free line.c1.stiffness --since log/traces.npz",
    "a plan": "identify bench.toml --plan --free line.c1.stiffness --kind steps --length 1_s",
    "a response": "identify --response log/traces.npz --from torque_command --to reading",
    "sensors": "sensors bench.toml --require 0.5_% --bandwidth 100_Hz --peak 40_N_m",
}


def units(tree: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Yield every path with its unit; ``none`` for a bare number, and ``[]`` for any entry of a list."""
    if isinstance(tree, dict):
        quantity = "unit" in tree and not tree.keys().isdisjoint(("value", "values"))
        if quantity:
            yield path, tree["unit"]
        for key, value in tree.items():
            if not (quantity and key in ("value", "values", "unit")):
                yield from units(value, f"{path}.{key}".lstrip("."))
    elif isinstance(tree, list):
        for value in tree:
            yield from units(value, f"{path}[]")
    elif isinstance(tree, int | float) and not isinstance(tree, bool):
        yield path, "none"


def found(name: str, folder: Path) -> dict[str, list[str]]:
    """Return the paths of each unit in the document of a command that runs in a folder."""
    for file, text in (("bench.toml", BENCH), ("study.toml", STUDY), ("power.toml", MEASUREMENT)):
        (folder / file).write_text(text, encoding="utf-8")
    if "log/" in COMMANDS[name]:
        made = CliRunner().invoke(cli, ["simulate", "bench.toml", "--out", "log"])
        assert made.exit_code == 0, made.output
    words = [word.replace("_", " ") if word[0].isdigit() else word for word in COMMANDS[name].split()]
    result = CliRunner().invoke(cli, [*words, "--json"])
    assert result.exit_code in (0, 1), result.output
    paths: dict[str, set[str]] = {}
    for path, unit in units(json.loads(result.stdout)):
        if "provenance" not in path:
            paths.setdefault(unit, set()).add(path)
    return {unit: sorted(listed) for unit, listed in sorted(paths.items())}


@pytest.mark.compiled
@pytest.mark.parametrize("name", COMMANDS)
def test_every_path_has_its_unit(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    now, listed = found(name, tmp_path), json.loads(LIST.read_text(encoding="utf-8"))[name]
    pairs, known = ({(path, unit) for unit in e for path in e[unit]} for e in (now, listed))
    assert (sorted(pairs - known), sorted(known - pairs)) == ([], []), "new, and gone"


if __name__ == "__main__":
    os.chdir(tempfile.mkdtemp())
    print(json.dumps({name: found(name, Path()) for name in COMMANDS}, indent=1, ensure_ascii=False))  # noqa: T201
