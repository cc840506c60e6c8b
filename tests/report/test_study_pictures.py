"""Pictures of studies: there are those that have something to show, whole, safe and each time the same."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from checkbench import figure
from drawn import words
from shaftloop.figures import Figure
from shaftloop.report.files import Outputs
from shaftloop.report.study.maps import best_of, mapped
from shaftloop.report.study.parallel import parallel_picture
from shaftloop.report.study.pictures import pictures
from shaftloop.report.study.scales import factor_scale, figure_scale
from shaftloop.report.study.tables import details
from shaftloop.report.terminal import print_details
from shaftloop.studies import responses
from shaftloop.studies.responses import ResponseSource
from shaftloop.studies.whatif.designs import CandidatePlan
from shaftloop.studies.whatif.execute import execute, run_here
from shaftloop.studies.whatif.findings import StudyFindings, find
from shaftloop.studies.whatif.reading import read_study
from shaftloop.studies.whatif.store import open_store

KINDS = ("svg", "png")
HEAD = 'title = "A <b>title</b> & $x$"\nscenario = "reference-bench"\nexpectations = false\n'
STIFFNESS = '[[factor]]\npath = "line.c1.stiffness"\nlow = "10 kN m/rad"\nhigh = "40 kN m/rad"\ncount = 5\n'
GAIN = '[[factor]]\npath = "loop.torque.kp"\nvalues = [0.01, 0.03, 0.1, 0.3]\n'
WORDS = '[[factor]]\npath = "line.ts.filter.kind"\nvalues = ["bessel", "butterworth"]\n'
FIGURES = """\
[[response]]
metric = "stand.time"
[[constraint]]
metric = "stand.share"
at_most = 20.0
[[objective]]
metric = "stand.share"
"""
FLAT = '[[response]]\nmetric = "stand.flat"\n'


@pytest.fixture(autouse=True)
def figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stand in for simulations by a formula of stiffness and gain."""
    known = {"time": Figure("", "s", ""), "share": Figure("", "1", ""), "flat": Figure("", "N m", "")}

    def formula(description: Any, names: Sequence[str]) -> dict[str, Figure]:
        stiffness, gain = description.line[1].stiffness, description.loop[-1].kp.value
        found = {
            "time": 1e-3 * (2.0 + math.sin(stiffness / 8e3)) / (0.05 + gain),
            "share": stiffness / 1e3 * (1 + gain),
        }
        return {name: figure(found.get(name, 5.0), known[name].unit) for name in names}

    monkeypatch.setitem(responses.SOURCES, "stand", ResponseSource(lambda _: known, formula))


def results(folder: Path, *blocks: str, kind: str = "grid", count: int | None = None) -> StudyFindings:
    path = folder / "s.toml"
    design = f'[design]\nkind = "{kind}"\n' + (f"count = {count}\n" if count else "")
    path.write_text(HEAD + design + "".join(blocks), encoding="utf-8")
    study = read_study(path)
    store = open_store(None, study, CandidatePlan(study.axes, study.design))
    execute(store, run_here)
    return find(store, 10)


def drawn(folder: Path, found: StudyFindings, kinds: Sequence[str]) -> list[Path]:
    out = Outputs(folder, kinds)
    out.draw(pictures(found))
    return out.files


def names(paths: list[Path]) -> set[str]:
    return {path.stem for path in paths}


def test_two_factors_of_numbers_make_a_map(tmp_path: Path) -> None:
    found = results(tmp_path, STIFFNESS, GAIN, FIGURES, FLAT)
    assert mapped(found) == ["stand.time", "stand.share"]
    paths = drawn(tmp_path, found, KINDS)
    assert names(paths) == {"effects", "contours", "parallel"}
    for path in paths:
        if path.suffix == ".svg":
            assert "A &lt;b&gt;title&lt;/b&gt; &amp;" in path.read_text(encoding="utf-8")
            assert not any(element.tag.endswith("}b") for element in ElementTree.parse(path).iter())
        else:
            assert path.read_bytes().startswith(b"\x89PNG")
    again = tmp_path / "again"
    again.mkdir()
    for path in drawn(again, found, KINDS):
        assert path.read_bytes() == (tmp_path / path.name).read_bytes()


def test_texts_and_parts_have_a_place_but_no_map(tmp_path: Path) -> None:
    found = results(tmp_path, STIFFNESS, WORDS, FIGURES)
    assert mapped(found) == [] and names(drawn(tmp_path, found, KINDS)) == {"effects", "parallel"}
    assert factor_scale(found, "line.ts.filter.kind").texts == ("bessel", "butterworth")


def test_of_more_factors_the_strongest_two_make_a_map_with_the_others_as_in_the_best(tmp_path: Path) -> None:
    idle = '[[factor]]\npath = "line.c2.damping"\nvalues = ["1 N m s/rad", "2 N m s/rad", "3 N m s/rad"]\n'
    found = results(tmp_path, idle, STIFFNESS, WORDS, GAIN, FIGURES)
    assert mapped(found) == ["stand.time", "stand.share"]
    paths = drawn(tmp_path, found, KINDS)
    assert names(paths) == {"effects", "contours", "parallel"}
    text = (tmp_path / "contours.svg").read_text(encoding="utf-8")
    assert "damping of c2 1 N m s/rad; filter kind of ts bessel" in " ".join(text.split())


def test_what_some_candidates_lack_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    source = responses.SOURCES["stand"]

    def some(description: Any, wanted: Sequence[str]) -> dict[str, Figure]:
        stiff = description.line[1].stiffness > 3e4
        return source.evaluate(description, wanted) | ({"time": figure(None, "s", "never")} if stiff else {})

    monkeypatch.setitem(responses.SOURCES, "stand", ResponseSource(source.known, some))
    found = results(tmp_path, STIFFNESS, GAIN, FIGURES)
    assert found.table.without("stand.time") == 8 and found.table.without("stand.share") == 0
    print_details(details(found))
    assert "8 of 20 candidates have no stand time, so its means" in capsys.readouterr().out
    drawn(tmp_path, found, KINDS)
    assert "8 of 20 have none" in (tmp_path / "effects.svg").read_text(encoding="utf-8")


def test_scattered_candidates_make_a_map_too(tmp_path: Path) -> None:
    range_of_gain = '[[factor]]\npath = "loop.torque.kp"\nlow = 0.01\nhigh = 0.3\nscale = "log"\n'
    found = results(tmp_path, STIFFNESS, range_of_gain, FIGURES, kind="sobol", count=32)
    assert names(drawn(tmp_path, found, KINDS)) == {"effects", "contours", "parallel"}
    assert factor_scale(found, "loop.torque.kp").logarithmic


def test_indices_have_a_picture(tmp_path: Path) -> None:
    found = results(tmp_path, STIFFNESS, GAIN, FIGURES, FLAT, kind="saltelli", count=16)
    assert "indices" in names(drawn(tmp_path, found, KINDS))
    assert [entry.reason for entry in found.indices if not entry.indices] == [
        "the figure is the same for all candidates"
    ]


def test_nothing_is_drawn_of_a_single_candidate(tmp_path: Path) -> None:
    one = '[[factor]]\npath = "loop.torque.kp"\nvalues = [0.01]\n'
    assert drawn(tmp_path, results(tmp_path, one, FIGURES), ("svg",)) == []


def test_figures_are_drawn_in_the_units_of_people(tmp_path: Path) -> None:
    found = results(tmp_path, STIFFNESS, GAIN, FIGURES)
    scale = figure_scale(found, "stand.time")
    assert scale.label == "stand time [ms]" and scale.of(0.012) == pytest.approx(12.0)
    assert figure_scale(found, "stand.share").label == "stand share [1]"
    gain = factor_scale(found, "loop.torque.kp")
    assert gain.logarithmic and gain.label == "kp of torque [1]"


def test_more_candidates_than_can_be_told_apart_are_thinned(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shaftloop.report.study.parallel._MOST_LINES", 6)
    path = tmp_path / "p.svg"
    parallel_picture(results(tmp_path, STIFFNESS, GAIN, FIGURES)).write([path])
    assert "6 of 20 candidates" in path.read_text(encoding="utf-8")


def test_where_none_passes_the_nearest_candidate_stands_out(tmp_path: Path) -> None:
    none = FIGURES.replace("at_most = 20.0", "at_most = 1.0")
    found = results(tmp_path, STIFFNESS, GAIN, none)
    picture = parallel_picture(found)
    share = found.table.figures["stand.share"].values
    assert picture.title.startswith("0 of 20 candidates keep every bound.")
    assert f"nearest: candidate {int(np.argmin(share))}, breaks a bound by" in words(picture)


def test_of_benches_drawn_by_chance_none_is_the_best(tmp_path: Path) -> None:
    normal = 'distribution = "normal"\n'
    bell = f'[[factor]]\npath = "line.c1.stiffness"\n{normal}nominal = "15 kN m/rad"\nspread = "1 kN m/rad"\n'
    other = f'[[factor]]\npath = "loop.torque.kp"\n{normal}nominal = 0.1\nspread = 0.01\n'
    found = results(tmp_path, bell, other, FIGURES, kind="monte_carlo", count=24)
    assert len(found.answers.ranked) and best_of(found) is None
    assert "best candidate" not in words(parallel_picture(found))


def test_effects_say_what_the_rest_of_the_variance_is(tmp_path: Path) -> None:
    (picture, *_) = pictures(results(tmp_path, STIFFNESS, GAIN, FIGURES))
    assert picture.name == "effects" and picture.title.endswith("%")
    assert "of its variance; factors acting together make" in picture.title
    assert "together: " in words(picture)
