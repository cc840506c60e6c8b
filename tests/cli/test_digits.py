"""What people read has digits that mean something, and loses none of them on a narrow terminal."""

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import html5lib
import numpy as np
import pytest
from scipy.signal import lfilter

import shaftloop
from shaftloop.interface import TestBench
from shaftloop.report.check import tables as check
from shaftloop.report.faults import room as faults
from shaftloop.report.fidelity import room as fidelity
from shaftloop.report.identify import fit as identification
from shaftloop.report.identify import response
from shaftloop.report.margins import room as margins
from shaftloop.report.modes import room as modes
from shaftloop.report.page.page import page_text
from shaftloop.report.page.room import make_report
from shaftloop.report.page.sections import Asked
from shaftloop.report.run import room as run
from shaftloop.report.sensors import room as sensors
from shaftloop.report.show import room as show
from shaftloop.report.size import room as size
from shaftloop.report.study import room as study
from shaftloop.report.terminal import print_answer, print_details
from shaftloop.report.tune import room as tune
from shaftloop.report.uncertainty import room as uncertainty
from shaftloop.scenario.shipped import shipped_names

ASKED: dict[str, tuple[Any, Callable[[TestBench], Any]]] = {
    "show": (show, TestBench.show),
    # An hour of a duty cycle is run once, which is enough.
    "simulate": (run, lambda bench: bench.simulate(verify=bench.scenario.description.duty is None)),
    "modes": (modes, TestBench.modes),
    "margins": (margins, TestBench.margins),
    "fidelity": (fidelity, TestBench.fidelity),
    "uncertainty": (uncertainty, lambda bench: bench.uncertainty(trials=2000)),
    "check": (check, lambda bench: [bench.check()]),
}
"""Rooms and answers by command; those that take long follow below for one scenario each."""

MEANINGLESS = {
    "a point without digits": r"(?<![\w.])\d+\.(?:\s|$|,)",
    "a signed zero": r"(?<![\d.e])-0(?:\.0+)?(?![\d.e])",
    "a small unit with a large number": r"(?<![\d.])\d{5,}(?:\.\d+)? (?:µs|ms|µJ|mJ|mN m)\b",
    "a count with decimals": r"\d\.\d+ (?:trips|candidates|bodies|springs)\b",
    "what rounding leaves of nothing": r"\de-(?:1[3-9]|[2-9]\d) (?:J|W|s|N m)\b",
    "digits of a float": r"\d\.\d{10,}",
    "a unit over itself": r"N m s/\(N m\)",
    "a cut": "…",
}
SAID = ("p", "li", "dd", "td", "th", "caption", "figcaption", "summary", "text")
"""Elements of a page that hold words."""
NUMBER = re.compile(r"\d[\d.,]*(?:e[+-]?\d+)?")


def printed(
    room: Any, answer: Any, columns: str, patch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> str:
    patch.setenv("COLUMNS", columns)
    print_answer(room.verdict(answer))
    print_details(room.details(answer))
    return capsys.readouterr().out


def judge(room: Any, answer: Any, patch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    whole = printed(room, answer, "1000", patch, capsys)
    for what, pattern in MEANINGLESS.items():
        if room is show and what == "digits of a float":
            continue  # It quotes files.
        found = [line for line in whole.splitlines() if re.search(pattern, line.rstrip(".; "))]
        assert not found, f"{what}: {found}"
    for columns in ("80", "120"):
        narrow = printed(room, answer, columns, patch, capsys)
        assert max(map(len, narrow.splitlines())) <= int(columns)
        assert lost(whole, narrow) == []


def lost(whole: str, narrow: str) -> Sequence[str]:
    """Return the numbers of a wide screen that a narrow one lacks, each as often as it is missing."""
    there = NUMBER.findall(narrow)
    missing = []
    for number in NUMBER.findall(whole):
        if number in there:
            there.remove(number)
        else:
            missing.append(number)
    return missing


@pytest.mark.parametrize("name", shipped_names())
@pytest.mark.parametrize("question", ASKED)
def test_every_command_keeps_its_digits(
    name: str, question: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    room, ask = ASKED[question]
    bench = shaftloop.read(name)
    if question == "fidelity" and bench.scenario.description.unit is None:
        bench = bench.changed({"unit": "drive"})
    judge(room, ask(bench), monkeypatch, capsys)


def test_gains_keep_their_digits(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    judge(tune, shaftloop.read("micro-spindle").tune("torque"), monkeypatch, capsys)


def test_faults_and_sizes_keep_their_digits(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = shaftloop.read("micro-spindle")
    judge(faults, bench.faults("ts"), monkeypatch, capsys)
    judge(size, bench.size(faults=False), monkeypatch, capsys)


def test_a_report_with_all_faults_keeps_its_digits(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    report = make_report(Asked(shaftloop.read("truck-axle").scenario))
    tree = html5lib.HTMLParser(strict=True).parse(page_text(report.bench, report.found, report.front))
    quoted = {cell for part in tree.iter() if part.get("id") == "values" for cell in part.iter()}
    said = [
        re.sub(r"\.(?= [A-Z])", "", "".join(piece.itertext()).replace("\u00a0", " ")).strip()
        for piece in tree.iter()
        if piece not in quoted and str(piece.tag).rpartition("}")[2] in SAID
    ]
    assert len(said) > 500
    for what, pattern in MEANINGLESS.items():
        found = [text for text in said if re.search(pattern, text.rstrip(".; "))]
        assert not found, f"{what}: {found}"
    (answer,) = (entry.answer for entry in report.found if entry.section.name == "faults")
    judge(faults, answer, monkeypatch, capsys)


def test_a_fit_keeps_its_digits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = shaftloop.read("reference-bench", {"duration": "60 ms", "record.rate": "4 kHz"})
    run, log = bench.simulate().simulation, tmp_path / "own.csv"
    columns = np.column_stack([run.time, run.traces["reading"], run.traces["load_speed"]])
    heads = "time [s],reading [N m],load_speed [rad/s]"
    np.savetxt(log, columns, delimiter=",", header=heads, comments="")
    monkeypatch.chdir(tmp_path)
    judge(identification, bench.identify("own.csv", ["line.load.inertia"]), monkeypatch, capsys)


def test_a_response_keeps_its_digits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rng, time = np.random.default_rng(0), np.arange(6000) * 1e-3
    drive = rng.normal(size=len(time))
    shown = lfilter([0.0, 0.02], [1.0, -1.88, 0.9], drive) + 0.01 * rng.normal(size=len(time))
    for name, columns in (("own", (drive, shown)), ("other", (drive, 0.0 * time))):
        late = time - 0.4 * (name == "other")
        np.savez(tmp_path / f"{name}.npz", **{"time [s]": late, "M [N m]": columns[0], "w [rpm]": columns[1]})
    monkeypatch.chdir(tmp_path)
    judge(response, shaftloop.response("own.npz", "M", "w"), monkeypatch, capsys)
    judge(response, shaftloop.response(["own.npz", "other.npz"], "M", "w"), monkeypatch, capsys)


def test_sensors_and_studies_keep_their_digits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = shaftloop.read("wheel-hub", {"duration": "0.8 s"})
    judge(sensors, bench.sensors(), monkeypatch, capsys)
    file = tmp_path / "s.toml"
    file.write_text(
        'title = "s"\nscenario = "wheel-hub"\nexpectations = false\n[design]\nkind = "grid"\n'
        '[[factor]]\npath = "loop.torque.kp"\nvalues = [0.05, 0.1]\n'
        '[[factor]]\npath = "line.c1.stiffness"\nvalues = ["17.6 kN m/rad", "22 kN m/rad"]\n'
        '[[objective]]\nmetric = "margins.torque.ms"\n[[response]]\nmetric = "margins.torque.bandwidth"\n',
        encoding="utf-8",
    )
    found = shaftloop.study(file)
    judge(study, found, monkeypatch, capsys)
    whole = printed(study, found, "1000", monkeypatch, capsys)
    assert "the best again: loop.torque.kp=0.05, line.c1.stiffness=" in whole
    assert not re.search(r"margins\.|loop\.torque(?!\.kp=)", whole)
