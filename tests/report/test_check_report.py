"""What a check says: sentences, Markdown, JUnit, the JSON document and the picture."""

import json
from fractions import Fraction
from math import pi
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from checkbench import figure
from shaftloop.figures import Figure
from shaftloop.report.check.document import check_document, overall
from shaftloop.report.check.files import bounds_words, junit_text, markdown_text
from shaftloop.report.check.picture import comparison_picture
from shaftloop.report.check.words import bench_words, gain_labels, quantity, verdict_words
from shaftloop.report.documents import as_json
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.units import Stated
from shaftloop.studies.checks.baseline import Baseline, Recorded, take
from shaftloop.studies.checks.compare import compare_gains
from shaftloop.studies.checks.expectations import Expectation
from shaftloop.studies.checks.judge import Verdict, judge
from shaftloop.studies.checks.run import AS_STATED, CheckedScenario, Refused
from shaftloop.words import figure_words

PM = "margins.torque.phase_margin"


def verdict(
    found: float | Figure | None,
    before: float | str | None,
    metric: str = PM,
    unit: str = "deg",
    **bounds: Any,
) -> Verdict:
    response = found if isinstance(found, Figure) else figure(found, unit, "" if found else "no step")
    recorded = None
    if isinstance(before, float):
        recorded = Recorded(Stated(Fraction(repr(before)), unit))
    elif before is not None:
        recorded = Recorded(None, "above" if before == "above" else "")
    return judge(Expectation(metric, unit, "a meaning", **bounds), response, recorded)


@pytest.mark.parametrize(
    ("metric", "words"),
    [
        (PM, "phase margin of torque"),
        ("margins.torque.ms", "Ms of torque"),
        ("map.speed.gain_margin", "gain margin of speed over the operating range"),
        ("modes.1.damping_ratio", "damping ratio of mode 1"),
        ("simulate.reading_error_rms", "reading error rms"),
        ("simulate.loss_energy.drive.copper", "loss energy of drive.copper"),
        ("simulate.trips.overtorque", "trips of overtorque"),
        ("simulate.load.ts.torque", "largest torque of ts"),
        ("simulate.load_of_rated.ts.torque", "largest torque of ts over its rating"),
        ("simulate.load_of_limit.ts.torque", "largest torque of ts over its limit"),
        ("simulate.limited.torque.command", "share of the time of torque at its limit of command"),
        ("simulate.at_end.speed", "speed at the end of the run"),
        ("simulate.at_end.current.drive", "current of drive at the end of the run"),
        ("fidelity.slope_error", "fidelity slope error"),
    ],
)
def test_figures_have_words(metric: str, words: str) -> None:
    assert figure_words(metric) == words


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (1.438649, "1", "1.439"),
        (0.0, "1", "0"),
        (6.02e-8, "1", "6.02e-08"),
        (0.078358, "s", "78.36 ms"),
        (35.0, "deg", "35°"),
        (2144.24, "J", "2.144 kJ"),
        (100.0 * pi / 3.0, "rad/s", "1000 rpm"),
        (123456.0, "1/s", "123456 1/s"),
        (float("inf"), "1", "without end"),
        (float("-inf"), "1", "below every bound"),
        (None, "1", "no value"),
    ],
)
def test_quantities_are_short(value: float | None, unit: str, words: str) -> None:
    assert quantity(value, unit) == words


@pytest.mark.parametrize(
    ("case", "words"),
    [
        (
            verdict(38.0, 52.0, at_least=35.0),
            "phase margin of torque fell from 52° to 38°, worse by 14° (27 %); "
            "the limit 35° is now 3° away, before 17°",
        ),
        (
            verdict(30.0, 52.0, at_least=35.0, tolerance=3.0),
            "phase margin of torque fell from 52° to 30°: lost 22° (42 %), 3° allowed; "
            "5° below the limit 35°",
        ),
        (
            verdict(54.0, 52.0, at_least=35.0),
            "phase margin of torque rose from 52° to 54°, better by 2° (3.8 %); "
            "the limit 35° is now 19° away, before 17°",
        ),
        (
            verdict(40.0, 30.0, at_least=35.0),
            "phase margin of torque rose from 30° to 40°, better by 10° (33 %); the limit 35° is now 5° away",
        ),
        (
            verdict(52.0, 52.0, at_least=35.0),
            "phase margin of torque stays at 52°; the limit 35° is 17° away",
        ),
        (
            verdict(52.0, None, at_least=35.0),
            "phase margin of torque is 52°; the limit 35° is 17° away",
        ),
        (verdict(35.0, None, at_least=35.0), "phase margin of torque is 35°; the limit 35° is reached"),
        (
            verdict(50.0, 52.0, tolerance=1.0),
            "phase margin of torque fell from 52° to 50°: lost 2° (3.8 %), 1° allowed",
        ),
        (
            verdict(50.0, "above", at_least=35.0),
            "phase margin of torque is now 50°, before without end; the limit 35° is now 15° away",
        ),
        (
            verdict(figure(None, "deg", "|L| never crosses 1", "above"), 50.0, at_least=35.0),
            "phase margin of torque is now without end, before 50°",
        ),
        (
            verdict(50.0, "none", at_least=35.0),
            "phase margin of torque is 50°, where it had no value; the limit 35° is 15° away",
        ),
        (verdict(None, 52.0, at_least=35.0), "phase margin of torque has no value: no step"),
        (
            verdict(figure(None, "deg", "it diverged", failed=True), 52.0, at_least=35.0),
            "phase margin of torque could not be found: it diverged",
        ),
        (
            verdict(21.26, 6.85, "simulate.torque_overshoot", "%", at_most=10.0, tolerance=1.0),
            "torque overshoot rose from 6.85 % to 21.26 %: 14.4 points more, 1 point "
            "allowed; 11.3 points above the limit 10 %",
        ),
        (
            verdict(1.0, 0.0, "simulate.trips", "1", at_most=0.0),
            "trips rose from 0 to 1, worse by 1; 1 above the limit 0",
        ),
    ],
)
def test_findings_read_like_an_engineer_wrote_them(case: Verdict, words: str) -> None:
    assert verdict_words(case) == words


def test_bounds_in_words() -> None:
    assert bounds_words(Expectation(PM, "deg", "", at_least=35.0)) == "at least 35°"
    assert (
        bounds_words(Expectation("a", "s", "", at_least=0.001, at_most=0.02))
        == "at least 1 ms and at most 20 ms"
    )
    assert bounds_words(Expectation("a", "s", "", tolerance=0.1)) == ""


def checked(*verdicts: Verdict, title: str = "A bench", **rest: Any) -> CheckedScenario:
    scenario = read_scenario("wheel-hub", [f"title={json.dumps(title)}"])
    return CheckedScenario(scenario, verdicts, {}, **rest)


def reference(**rest: Any) -> Baseline:
    scenario = read_scenario("wheel-hub", [f"{path}={value}" for path, value in rest.items()])
    return take(scenario, {}, "1", "hub.baseline.toml")


def test_the_bench_is_spoken_of() -> None:
    assert bench_words(checked())[0].startswith("no baseline: only the bounds are judged")
    assert bench_words(checked(compared=False)) == []
    assert bench_words(checked(reference=reference())) == []
    notes = bench_words(
        checked(reference=reference(**{"loop.torque.kp": 0.05}), stale=("line.ts", "seed"), unknown=("a.b",))
    )
    assert notes[0] == (
        "hub.baseline.toml is of another version of the bench, which differs in line.ts, seed: changes are "
        "shown but not judged; look at them, then write it anew with the option update-baseline"
    )
    assert notes[1] == "gains changed: torque.kp: 0.05 → 0.1"
    assert notes[2] == "not in hub.baseline.toml: a.b; the option update-baseline adds them"
    scenario = read_scenario("wheel-hub")
    assert bench_words(checked(reference=take(scenario, {}, "", AS_STATED))) == [f"compared with {AS_STATED}"]
    item = checked(reference=reference(**{"loop.torque.feedforward": 0.5}))
    assert gain_labels(item, "torque") == ("before: feedforward = 0.5", "now: feedforward = not stated")


GOOD = verdict(38.0, 52.0, at_least=35.0)
BAD = verdict(30.0, 52.0, at_least=35.0, name="pm", why="soft <b>couplings</b>")
LOST = verdict(figure(None, "deg", "it diverged", failed=True), None, at_least=35.0)


@pytest.mark.parametrize(
    ("items", "status"),
    [
        ([], "passed"),
        ([checked(GOOD)], "passed"),
        ([checked(GOOD), checked(BAD)], "failed"),
        ([checked(GOOD, stale=("seed",), reference=reference())], "failed"),
        ([checked(BAD), checked(LOST)], "error"),
        ([checked(LOST), Refused("x", ("y",))], "refused"),
    ],
)
def test_the_worst_status_counts(items: list[CheckedScenario | Refused], status: str) -> None:
    assert overall(items) == status


def test_junit_can_be_read_by_others() -> None:
    items = [
        checked(GOOD, BAD, LOST, reference=reference(), stale=("seed",)),
        Refused("x\x00", ("no & file",)),
    ]
    suites = ElementTree.fromstring(junit_text(items))
    assert suites.tag == "testsuites" and [suite.get("name") for suite in suites] == ["wheel-hub", "x\\x00"]
    first, other = suites
    assert [first.get(key) for key in ("tests", "failures", "errors")] == ["4", "2", "1"]
    names = [(case.get("name"), [child.tag for child in case]) for case in first]
    assert names == [(PM, []), ("pm", ["failure"]), (PM, ["error"]), ("baseline", ["failure"])]
    failure = first[1][0].get("message") or ""
    assert failure.startswith("phase margin of torque fell") and failure.endswith("(soft <b>couplings</b>)")
    assert other[0][0].tag == "error" and other[0][0].get("message") == "no & file"


def test_markdown_takes_nothing_for_markup() -> None:
    title = "Bench | <script>alert(1)</script> @someone #1 ![x](http://a.b) `c` www.a.b"
    text = markdown_text([checked(GOOD, BAD, title=title), Refused("a|b", ("line\nbreak",))])
    for piece in ("<script", "@someone", " #1", "![", "](", "`", "http://", "www.a", "<b>", "a|b"):
        assert piece not in text
    assert "## shaftloop check: ❌ refused" in text and "### wheel-hub: ❌ failed" in text
    rows = [line for line in text.splitlines() if line.startswith("| ")]
    assert rows[0] == "| | figure | value | bound | baseline |" and len(rows) == 3
    assert rows[2] == "| ❌ failed | pm | 30° | at least 35° | 52° |"
    assert "- line break\n" in text and "soft &#60;b&#62;couplings" in text


def test_the_document_holds_all_and_no_nan() -> None:
    endless = verdict(figure(None, "deg", "|L| never crosses 1", "above"), "above", at_least=35.0)
    items = [checked(GOOD, BAD, LOST, endless, reference=reference()), Refused("x", ("y",))]
    found = json.loads(as_json(check_document(items)))
    assert found["status"] == "refused" and found["refused"] == [{"name": "x", "messages": ["y"]}]
    (scenario,) = found["scenarios"]
    good, bad, lost, last = scenario["expectations"]
    assert good["found"] == {"value": 38.0, "unit": "deg"} and good["at_most"] is None
    assert good["at_least"] == {"value": 35.0, "unit": "deg"}
    assert good["baseline"]["value"]["value"] == 52.0 and good["baseline"]["change"]["value"] == -14.0
    assert (bad["status"], bad["broken"], bad["name"]) == ("failed", ["at_least"], "pm")
    assert bad["words"].startswith("phase margin of torque fell")
    assert lost["status"] == "error" and lost["baseline"] is None
    assert lost["found"] == {"value": None, "unit": "deg", "reason": "it diverged"}
    assert last["baseline"]["value"] == {"value": None, "unit": "deg", "reason": "beyond every bound"}
    assert scenario["baseline"]["file"] == "hub.baseline.toml"
    assert scenario["gain_changes"] == []


@pytest.mark.compiled
@pytest.mark.parametrize(
    ("name", "path", "now"),
    [
        ("wheel-hub", "loop.torque.ki", "200 1/s"),
        ("wheel-hub", "loop.speed.kp", "15 N m s/rad"),
    ],
)
def test_the_picture_shows_what_the_gains_do(tmp_path: Path, name: str, path: str, now: str) -> None:
    plain = read_scenario(name)
    scenario = read_scenario(name, [f"{path}={now}"])
    limit = verdict(2.0, None, path.replace("loop", "margins").rpartition(".")[0] + ".ms", "1", at_most=1.6)
    item = CheckedScenario(scenario, (limit,), {}, take(plain, {}, "", AS_STATED))
    found = compare_gains(item)
    assert found.limit == 1.6 and found.now.margins.ms > found.before.margins.ms
    # The faster gains lead at the time at which the slower ones reach half the step.
    half = float(found.before.time[np.argmax(found.before.step > 0.5)])
    assert np.interp(half, found.now.time, found.now.step) > 0.55
    files = [tmp_path / "p.svg", tmp_path / "p.png"]
    picture = comparison_picture(found, gain_labels(item, found.loop), "A <title> $x$")
    picture.write(files)
    assert "Ms (peak sensitivity) rises from" in picture.title
    text = files[0].read_text(encoding="utf-8")
    assert "now: k" in text.replace("<!-- ", "") and "A &lt;title" in text
    assert files[1].stat().st_size > 10_000
