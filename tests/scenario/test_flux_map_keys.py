"""Flux maps of a scenario: where the file lies, its columns and units, and what is refused with its place."""

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
import tomlkit

from fluxes import MAGNETS, mapped
from rigs import coupling, servo, speed_loop
from shaftloop.errors import ScenarioError
from shaftloop.scenario.derive import validate
from shaftloop.scenario.reading import Scenario, Variants, read_scenario, stated_values
from shaftloop.scenario.shipped import shipped_folder
from shaftloop.scenario.tables import with_tables
from shaftloop_models.part import Part

HEADER = "flux_q [mWb],flux_d [Wb],current_d [A],current_q [A],note"
ROWS = MAGNETS.rows(np.linspace(-200.0, 0.0, 5), np.linspace(0.0, 200.0, 6))
LINES = [f"{1e3 * row[3]!r},{row[2]!r},{row[0]!r},{row[1]!r},x" for row in ROWS]


def write(folder: Path, *lines: str, header: str = HEADER, name: str = "map.csv", part: bool = False) -> Path:
    machine = mapped((), flux_map={"file": name})
    if part:
        (folder / "parts").mkdir()
        del machine["name"]
        (folder / "parts" / "m.toml").write_text(tomlkit.dumps(machine))
        machine = {"name": "m", "from": "parts/m.toml"}
    place = folder / "parts" if part else folder
    (place / "map.csv").write_text("\n".join([header, *(lines or LINES)]) + "\n")
    line = [servo("drive", 0.05), coupling("c", 1e4), machine]
    document = {"title": "Map", "line": line, "loop": [speed_loop("drive", 3.0, 20.0)], "duration": "1 s"}
    path = folder / "bench.toml"
    path.write_text(tomlkit.dumps(document))
    return path


def rows(scenario: Scenario) -> np.ndarray:
    return np.array(scenario.description.line[2].flux_map.rows)  # type: ignore[attr-defined]


@pytest.mark.parametrize("part", [False, True])
def test_a_file_lies_beside_the_file_that_names_it(tmp_path: Path, part: bool) -> None:
    scenario = read_scenario(write(tmp_path, part=part))
    assert rows(scenario) == pytest.approx(np.array(ROWS), rel=1e-12)
    stated = {entry.path: entry.text for entry in stated_values(scenario)}
    assert stated["line.m.flux_map.file"] == "map.csv"
    assert not any(".table" in path or ".points." in path for path in stated)


def test_its_content_is_part_of_the_hash_and_it_is_read_once_for_variants(tmp_path: Path) -> None:
    path = write(tmp_path)
    scenario = read_scenario(path)
    variants = Variants(scenario)
    (tmp_path / "map.csv").write_text("\n".join([HEADER, *LINES[:-1], LINES[-1].replace("x", "y")]))
    assert read_scenario(path).hash != scenario.hash
    (tmp_path / "map.csv").unlink()
    varied = variants.read(["line.drive.inertia=0.06 kg m^2"])
    assert varied.line[2] == scenario.description.line[2]


@pytest.mark.parametrize(
    ("lines", "header", "says"),
    [
        (
            LINES,
            HEADER.replace("flux_q [mWb]", "flux_q"),
            'map.csv:1: "flux_q" states no unit; write e.g. "flux_q [',
        ),
        (LINES, HEADER.replace("[mWb]", "[mA]"), 'map.csv:1: "flux_q [mA]": the unit mA does not fit'),
        (LINES, HEADER.replace("flux_d", "flux"), "map.csv:1: no column is named flux_d; nearest: flux"),
        (LINES, HEADER.replace("flux_d", "flux_q"), "map.csv:1: no column is named flux_d"),
        (
            LINES,
            HEADER.replace("note", "flux_d [Wb]"),
            "map.csv:1: 2 columns are named flux_d; the header must",
        ),
        ([*LINES[:3], "1,2,nan,3,x"], HEADER, 'map.csv:5: "nan" is no number'),
        ([*LINES[:3], "1,1e400,0,3,x"], HEADER, 'map.csv:5: "1e400" is no finite number'),
        ([*LINES[:3], "1,2"], HEADER, "map.csv:5: 2 columns; the header has more"),
        (LINES[:-1], HEADER, "line.m.flux_map.file: map.csv: no point at current_d 0 A, current_q 200 A"),
        (
            [line.replace("-200.0,", "-190.0,") for line in LINES],
            HEADER,
            "current_limit 200 A needs -200 to 0 A",
        ),
        (["\x07"], HEADER, "map.csv:2: the character"),
        ([""], HEADER, "map.csv:2: no numbers below the header; write a row for each point of the table"),
    ],
)
def test_nonsense_is_refused_with_file_and_line(
    lines: list[str], header: str, says: str, tmp_path: Path
) -> None:
    with pytest.raises(ScenarioError, match=re.escape(says)):
        read_scenario(write(tmp_path, *lines, header=header))


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("maps.csv", 'line.m.flux_map.file: no file "maps.csv" beside the scenario'),
        ("../map.csv", "must stay inside the scenario's folder"),
    ],
)
def test_a_file_that_is_not_there(name: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match=re.escape(says)):
        read_scenario(write(tmp_path, name=name))


def test_a_file_that_is_no_text(tmp_path: Path) -> None:
    path = write(tmp_path)
    (tmp_path / "map.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ScenarioError, match="is no UTF-8 text"):
        read_scenario(path)


def test_a_map_is_a_file_or_points_and_points_are_located(tmp_path: Path) -> None:
    path = write(tmp_path)
    with pytest.raises(ScenarioError, match="both a file and points: give the table as one of them"):
        read_scenario(
            path, ['line.m.flux_map.points=[{current_d="0 A",current_q="0 A",flux_d="1 Wb",flux_q="0 Wb"}]']
        )
    with pytest.raises(ScenarioError, match=r"flux_map.points.0.flux_d: .*has no unit"):
        read_scenario(
            path, ['line.m.flux_map={points=[{current_d="0 A",current_q="0 A",flux_d=1,flux_q="0 Wb"}]}']
        )


def test_a_part_that_is_tried_in_the_place_of_another_brings_its_map() -> None:
    folder = shipped_folder() / "parts"
    document = tomllib.loads((folder / "pm-buried-40kw.toml").read_text(encoding="utf-8"))
    part, _ = validate(Part, {"name": "x", **document})
    found = with_tables(part, [folder])
    assert found is not None and len(found.flux_map.rows) == 130  # type: ignore[attr-defined]
    assert with_tables(found, []) is found and with_tables(part, []) is None
