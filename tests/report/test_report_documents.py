"""Documents are strictly valid JSON, whatever is in them, and people read rpm, ms and kJ."""

import dataclasses
import json
import math
import threading
from pathlib import Path
from typing import Any

import pytest

from checkbench import figure
from shaftloop.analysis.overlay import lay_over, read_measurement
from shaftloop.analysis.verify import Change, Verification
from shaftloop.answers.run import RunAnswer
from shaftloop.engine.events import Event
from shaftloop.figures import number
from shaftloop.report.documents import as_json
from shaftloop.report.quantities import readable, show
from shaftloop.report.run import room
from shaftloop.report.run.tables import CAUTIONS
from shaftloop.report.terminal import Progress, print_details, show_files
from shaftloop.scenario.ratios import order_text


def refuse(constant: str) -> None:
    raise AssertionError(f"{constant} in a document")


def strictly(text: str) -> Any:
    return json.loads(text, parse_constant=refuse)


@pytest.fixture(scope="module")
def full(results: RunAnswer, tmp_path_factory: pytest.TempPathFactory) -> RunAnswer:
    path = tmp_path_factory.mktemp("measured") / "m.csv"
    path.write_text("time [s],true_torque [N m],drive_speed [rpm],oil [1]\n0,1,0,1\n0.5,2,1500,1\n")
    changes = {
        "a": Change(0.1, 0.01, "N m"),
        "b": Change(None, None, "s", "no step"),
        "tiny": Change(1.0, 0.5, "J"),
    }
    events = tuple(Event(i, 0.1 * i, "exceeded", "limit") for i in range(12))
    return dataclasses.replace(
        results,
        simulation=dataclasses.replace(results.simulation, events=events),
        unclosed=("looks odd",),
        verification=Verification(2, 5e-5, changes, frozenset({"tiny"})),
        overlay=lay_over(results.simulation, read_measurement(path)),
    )


def test_document_of_a_run(full: RunAnswer) -> None:
    document = strictly(as_json(room.document(full)))
    first = ["scenario", "provenance", "metrics", "ratings", "limits", "at_end", "events"]
    assert list(document) == [*first, "timeline", "warnings", "verify", "overlay"]
    assert document["scenario"]["name"] == "reference-bench" and len(document["scenario"]["hash"]) == 64
    provenance = document["provenance"]
    assert {"version", "scenario_hash", "seed", "method", "step", "times_real_time", "wall_time"} <= set(
        provenance
    )
    assert set(provenance["libraries"]) == {"numpy", "scipy", "numba", "simpy"}
    assert document["events"][1] == {
        "time": {"value": 0.1, "unit": "s"},
        "kind": "exceeded",
        "name": "limit",
        "count": 1,
    }
    assert document["warnings"] == ["looks odd"]
    assert document["verify"]["largest"] == {"metric": "a", "relative": {"value": 0.01, "unit": "1"}}
    assert document["verify"]["metrics"]["b"]["change"] == {"value": None, "unit": "s", "reason": "no step"}
    assert document["overlay"]["left_out"] == ["oil"]
    assert set(document["overlay"]["channels"]["true_torque"]) == {"mean", "rms", "max", "points"}


def test_every_metric_has_value_unit_and_meaning_or_a_reason(results: RunAnswer) -> None:
    for entry in strictly(as_json(room.document(results)))["metrics"].values():
        assert {"value", "unit", "meaning"} <= set(entry)
        assert (entry["value"] is None) == ("reason" in entry)


def test_no_document_holds_nan(results: RunAnswer) -> None:
    broken = {"x": figure(math.nan, "N m"), "y": figure(-math.inf, "N m", at=1.0)}
    simulation = dataclasses.replace(results.simulation, wall_time=0.0)
    document = room.document(dataclasses.replace(results, metrics=broken, simulation=simulation))
    found = strictly(as_json(document))
    assert found["metrics"]["x"] == {
        "value": None, "unit": "N m", "reason": "not a finite number", "meaning": "",
    }  # fmt: skip
    assert found["provenance"]["times_real_time"]["value"] is None
    with pytest.raises(ValueError, match="not JSON compliant"):
        as_json({"x": math.nan})


def test_a_number_that_does_not_exist_has_a_reason() -> None:
    assert number(None, "s") == {"value": None, "unit": "s", "reason": "not known"}
    assert number(1.5, "s", "unused") == {"value": 1.5, "unit": "s"}


def test_file_names_that_are_no_unicode(results: RunAnswer) -> None:
    scenario = dataclasses.replace(results.scenario, path=Path("caf\udce9.toml"), name="caf\udce9")
    document = room.document(dataclasses.replace(results, scenario=scenario))
    assert as_json(document).encode("utf-8")
    assert document["scenario"]["name"] == "caf?"


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (157.0796326795, "rad/s", "1500 rpm"),
        (6.8e-19, "rad/s", "0 rpm"),
        (0.00123456, "s", "1.235 ms"),
        (5e-5, "s", "50.00 µs"),
        (2.5, "s", "2.500 s"),
        (11713.7, "J", "11.71 kJ"),
        (-8.4e6, "J", "-8.400 MJ"),
        (1e-9, "J", "1.000e-09 J"),
        (0.7558, "1", "75.58 %"),
        (3.1e-7, "1", "3.100e-07"),
        (25.25, "%", "25.25 %"),
        (0.0, "N m", "0 N m"),
        (0.00217, "N m", "2.170 mN m"),
        (2677.2, "N m", "2677 N m"),
        (26772.0, "N m", "26.77 kN m"),
        (123456.0, "1", "12345600 %"),
    ],
)
def test_people_read_their_own_units(value: float, unit: str, text: str) -> None:
    assert show(value, unit) == text


def test_readable_keeps_unknown_units() -> None:
    assert readable(3.0, "A") == (3.0, "A")


def test_the_terminal_shows_everything_on_stdout(full: RunAnswer, capsys: pytest.CaptureFixture[str]) -> None:
    print_details(room.details(full))
    show_files([Path("out/metrics.json"), Path("out/energy.svg"), Path("t.csv")])
    out, err = capsys.readouterr()
    assert err == ""
    assert "Costs $5 to $x_{" in out
    for words in (
        "torque overshoot",
        "drive.copper",
        "... and 4 more, the last one at 1.1 s: limit exceeded",
        "Repeated with steps 2 times finer, 50.0 µs",
        "Simulated minus measured",
        "not recorded by the simulation, left out: oil",
        "written to out: metrics.json, energy.svg",
        "written to .: t.csv",
        CAUTIONS,
    ):
        assert words in out
    assert "ts.damping" not in out and "tiny" not in out


def test_nothing_moves_where_nobody_watches(capsys: pytest.CaptureFixture[str]) -> None:
    with Progress("simulating") as progress:
        progress(0.5)
    assert capsys.readouterr() == ("", "")


def test_a_long_run_shows_its_progress_to_a_person(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    shown, show = threading.Event(), Progress._show
    monkeypatch.setattr(Progress, "_show", lambda line: (show(line), shown.set()))
    monkeypatch.setattr("shaftloop.report.terminal._PATIENCE", 3600.0)
    with Progress("answering"):
        monkeypatch.setattr("shaftloop.report.terminal._PATIENCE", 0.0)
        with Progress("simulating") as progress:
            progress(0.1)
            assert shown.wait(60.0)
            progress(0.5)
            err = capsys.readouterr().err
            shown.clear()
        assert "simulating" in err and "answering" not in err
        assert shown.wait(60.0)
    # No share of it was known.
    err = capsys.readouterr().err
    assert "answering" in err and "%" not in err.partition("answering")[2]


@pytest.mark.parametrize(
    ("order", "words"),
    [(37 / 11, "37/11"), (37 / 11 / 3, "37/33"), (48 / 7 * 7, "48"), (1.5, "1.5"), (math.pi, "3.14159")],
)
def test_orders_are_ratios_where_they_are_no_decimals(order: float, words: str) -> None:
    assert order_text(order) == words
