"""The report: whole, closed to the outside, the same each time, and honest about what has no answer."""

import base64
import hashlib
import re
import shutil
import zlib
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import fromstring

import html5lib
import numpy as np
import pytest
import tomlkit

import shaftloop
from rigs import disc, servo
from shaftloop.analysis import simulation
from shaftloop.analysis.cost import PATIENCE, have_patience
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.report.files import OutputError
from shaftloop.report.page import colours, sections
from shaftloop.report.page.front import front_of
from shaftloop.report.page.line import line_svg
from shaftloop.report.page.omissions import cautions, left_out
from shaftloop.report.page.page import page_text
from shaftloop.report.page.room import Report, make_report
from shaftloop.report.page.sections import SECTIONS, AnsweredSection, Asked, named_sections
from shaftloop.report.page.traces import trace_data
from shaftloop.scenario.shipped import shipped_folder
from test_readme import README

pytestmark = pytest.mark.compiled

SHORT = {"duration": "30 ms"}
HTML = "{http://www.w3.org/1999/xhtml}"


def report_of(bench: shaftloop.TestBench, *only: str) -> Report:
    return make_report(Asked(bench.scenario), only)


def text_of(report: Report) -> str:
    return page_text(report.bench, report.found, report.front)


def tree_of(page: str) -> Any:
    """Return a page as a strict parser reads it: the first error in its markup is raised."""
    return html5lib.HTMLParser(strict=True).parse(page)


def words_of(tree: Any) -> str:
    return " ".join("".join(tree.itertext()).replace("\u00a0", " ").split())


@pytest.fixture(scope="module")
def whole() -> Report:
    return report_of(shaftloop.read("wheel-hub", {"duration": "1 s"}))


@pytest.fixture(scope="module")
def page(whole: Report) -> str:
    return text_of(whole)


def test_a_page_is_valid_and_small_and_holds_every_answer(whole: Report, page: str) -> None:
    tree = tree_of(page)
    assert len(page.encode()) < 3_000_000
    found = words_of(tree)
    for section in whole.found:
        for sentence in section.sentences:
            assert " ".join(sentence.split()) in found
    identities = [element.attrib["id"] for element in tree.iter() if "id" in element.attrib]
    assert len(identities) == len(set(identities))
    links = [element.attrib["href"] for element in tree.iter(f"{HTML}a")]
    assert links and all(link.startswith("#") and link[1:] in identities for link in links)
    assert [section.section.name for section in whole.found] == [
        s.name for s in SECTIONS if s.name not in ("study", "identification")
    ]


def test_a_page_fetches_nothing_and_its_policy_admits_no_foreign_code(page: str) -> None:
    tree = tree_of(page)
    (policy,) = [e.attrib["content"] for e in tree.iter(f"{HTML}meta") if "http-equiv" in e.attrib]
    assert "default-src 'none'" in policy and "unsafe" not in policy
    styles = [element.text for element in tree.iter(f"{HTML}style")]
    scripts = [e.text for e in tree.iter(f"{HTML}script") if e.attrib.get("type") != "application/json"]
    for (content,), kind in ((styles, "style-src"), (scripts, "script-src")):
        known = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert f"{kind} 'sha256-{known}'" in policy
    for element in tree.iter():
        for key, value in element.attrib.items():
            name = key.rpartition("}")[2]
            assert name not in ("style", "src", "action", "srcdoc") or value.startswith("data:")
            assert not name.startswith("on")
            assert name != "href" or value.startswith(("#", "data:"))


def test_every_figure_says_in_words_what_it_shows(page: str) -> None:
    pictures = [e for e in tree_of(page).iter() if e.attrib.get("role") == "img"]
    assert len(pictures) > 8
    for picture in pictures:
        assert len(picture.attrib["aria-label"]) > 3
        assert any(e.tag.endswith("}text") for e in picture.iter()), "text is text"


def test_the_same_input_gives_the_same_bytes() -> None:
    names = ("line", "modes", "run", "uncertainty")
    first, again = (text_of(report_of(shaftloop.read("wheel-hub", SHORT), *names)) for _ in range(2))
    assert first == again


def test_colours_of_figures_and_page_stand_out_from_the_paper(page: str) -> None:
    style = page.partition("<style>")[2].partition("</style>")[0]
    light, dark = (
        dict(re.findall(r"--(\w+): (#\w{6})", part)) for part in re.split("@media \\(prefers", style)
    )
    for shades in (light, dark):
        for name in ("ink", "soft", "good", "bad", "open", "link"):
            for paper in ("paper", "tint"):
                assert colours.contrast(shades[name], shades[paper]) >= 4.5, (name, paper)
        for name in (f"s{i}" for i in range(8)):
            assert colours.contrast(shades[name], shades["paper"]) >= 3.0, name
    assert (light["paper"], dark["paper"]) == (colours.LIGHT, colours.DARK)
    texts = set(re.findall(r'<text [^>]*fill="(#\w{6})"', page))
    assert texts
    for text in texts:
        seen = dict(re.findall(rf'text\[fill="({text})"\]{{fill:(#\w+)}}', style.partition("@media")[0]))
        assert colours.contrast(seen.get(text, text), colours.LIGHT) >= 4.5
        (shown,) = re.findall(rf'text\[fill="{text}"\]{{fill:(#\w+)}}', style.partition("prefers")[2])
        assert colours.contrast(shown, colours.DARK) >= 4.5


def test_text_from_a_file_is_never_markup(tmp_path: Path) -> None:
    title = "</script><script>alert(1)</script> & \"quoted\" 'x' ]]> {{ 7 * 7 }}"
    why = "<img src=x onerror=alert(1)> " + "caution " * 20
    shutil.copytree(shipped_folder(), tmp_path / "own")
    path = tmp_path / "own" / "wheel-hub.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    document["title"] = title
    document["expect"] = [{"metric": "modes.1.frequency", "at_most": "1 Hz", "why": why}]
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    report = report_of(shaftloop.read(path, SHORT), "expectations", "line", "modes")
    long = "<b onclick=alert(1)>" + "a caution without end " * 50 + "\u202e"
    report = replace(report, found=(*report.found, AnsweredSection(SECTIONS[3], None, long)))
    page = text_of(report)
    tree = tree_of(page)
    assert not [*tree.iter(f"{HTML}img"), *tree.iter(f"{HTML}b")]
    assert len(list(tree.iter(f"{HTML}script"))) == 1
    found = words_of(tree)
    assert title in found and why.strip() in found and " ".join(long[:-1].split()) in found
    assert "\u202e" not in page and "\\u202e" in page
    assert report.front.holds is False and report.front.broken


def test_a_bench_without_loop_sensor_or_sequence_gets_a_report_that_says_so(tmp_path: Path) -> None:
    path = tmp_path / "bare.toml"
    line = [
        servo("left", 0.1),
        {"part": "coupling", "name": "c", "stiffness": "1 kN m/rad"},
        disc("right", 0.2),
    ]
    path.write_text(tomlkit.dumps({"title": "Bare", "duration": "10 ms", "line": line}), encoding="utf-8")
    report = report_of(shaftloop.read(path))
    found = words_of(tree_of(text_of(report)))
    reasons = {entry.section.name: entry.reason for entry in report.found if entry.reason}
    assert {"expectations", "margins", "fidelity", "uncertainty"} <= set(reasons)
    assert "no margins; add a [[loop]]" in reasons["margins"]
    assert "which machine is under test" in reasons["fidelity"]
    for reason in reasons.values():
        assert " ".join(reason.split()) in found
    assert not any(entry.failed for entry in report.found)


def test_a_run_that_fails_is_told_and_the_bench_does_not_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    def diverges(*_: object, **__: object) -> None:
        raise SimulationError("diverges at 0.1 s: drive turns at 1e9 rad/s", "lower the gains")

    monkeypatch.setattr(sections, "find_run", diverges)
    report = report_of(shaftloop.read("reference-bench"), "line", "run")
    (failed,) = [entry for entry in report.found if entry.failed]
    assert failed.section.name == "run" and failed.sentences[0].startswith("The simulation failed: ")
    assert report.front.holds is False and "The simulation failed" in report.front.lead
    assert "The simulation failed" in words_of(tree_of(text_of(report)))


def test_what_takes_too_long_says_so_and_is_no_failure() -> None:
    have_patience(1e-9)
    try:
        report = report_of(shaftloop.read("reference-bench"), "line", "run")
    finally:
        have_patience(PATIENCE)
    (found,) = [entry for entry in report.found if entry.reason]
    assert not found.failed and found.sentences[0].startswith("No answer: a run of 2 s ")
    assert "allow more with `patience`" in found.sentences[0] and report.front.holds is None


def test_no_line_ends_within_a_torque(whole: Report) -> None:
    page = text_of(whole)
    assert "\u00a0N\u00a0m" in page and not re.search(r"[0-9]\u00a0[mk]?N m\b", page)


def test_the_run_speaks_of_itself_and_how_exact_it_is_stands_at_the_end(whole: Report, page: str) -> None:
    (found,) = (found for found in whole.found if found.section.name == "run")
    assert found.sentences[0].startswith("The run of 1 s ends")
    assert found.answer.verification is not None and "times finer" not in page
    assert "largest change with half the step" in page
    overview = re.search(r'id="run-overview">\s*<figcaption[^>]*>(.*?)</figcaption>', page, re.S)
    assert overview is not None and overview[1].replace("\u00a0", " ").startswith("The run of 1 s ends")


def test_arguments_are_spelt_as_the_readers_know_them(whole: Report) -> None:
    known = page_text(
        whole.bench, whole.found, whole.front, lambda text: text.replace("`ripple`", "--ripple")
    )
    assert "give one with `ripple`" in text_of(whole) and "give one with --ripple" in known


def test_headings_begin_with_a_capital_and_no_name_of_a_loop_is_cut(page: str) -> None:
    headings = re.findall(r"<(?:caption|summary)>\s*(.)", page)
    assert len(headings) > 10 and not any(letter.islower() for letter in headings)
    assert "commanded by torque," in page and ">overspeed</text>" in page and "…" not in page


def test_shapes_of_markers_leave_their_ink_to_the_rules_of_the_page(page: str) -> None:
    shapes = re.findall(r"<defs>\s*(<path[^>]*>)", page)
    assert len(shapes) > 10 and not any("stroke=" in shape for shape in shapes)


def test_a_report_makes_every_run_once(monkeypatch: pytest.MonkeyPatch) -> None:
    made = []

    def counted(run: Any, *rest: Any) -> Any:
        made.append(run)
        return original(run, *rest)

    original = simulation.run_bench
    monkeypatch.setattr(simulation, "run_bench", counted)
    report_of(shaftloop.read("reference-bench", SHORT), "run", "parts", "fidelity")
    assert len(made) == 2, "as it is, and with finer steps"


def test_page_one_says_what_to_take_in_place_of_a_part(tmp_path: Path) -> None:
    bench = shaftloop.read("wheel-hub", {"line.drive.max_speed": "700 rpm", "duration": "1 s"})
    report = report_of(bench, "parts")
    assert report.front.advice and "in place of drive" in report.front.advice[0]


def test_changing_one_gain_changes_what_it_concerns_and_nothing_else() -> None:
    plain, other = (
        report_of(
            shaftloop.read("reference-bench", {"loop.torque.kp": kp, **SHORT}),
            "modes",
            "margins",
            "uncertainty",
        )
        for kp in (0.03, 0.04)
    )
    before, after = ({f.section.name: f.sentences for f in r.found} for r in (plain, other))
    assert before["modes"] == after["modes"] and before["uncertainty"] == after["uncertainty"]
    assert before["margins"] != after["margins"]
    pictures = [
        dict(re.findall(r'<figure class="fig[^"]*" id="([\w-]+)">(.*?)</figure>', text_of(r), re.S))
        for r in (plain, other)
    ]
    changed = {name for name in pictures[0] if pictures[0][name] != pictures[1][name]}
    assert "margins-bode-torque" in changed and all(name.startswith("margins") for name in changed)


def test_traces_keep_their_extremes_and_read_as_recorded(monkeypatch: pytest.MonkeyPatch) -> None:
    run = shaftloop.read("reference-bench", SHORT).simulate().simulation

    def unpacked(channel: dict[str, Any]) -> Any:
        moved = np.frombuffer(zlib.decompress(base64.b64decode(channel["data"])), "<u2")
        steps = np.cumsum(moved, dtype=np.uint16)
        return channel["low"] + (channel["high"] - channel["low"]) * steps / 65535.0

    for most, exact in ((10**9, True), (900, False)):
        monkeypatch.setattr("shaftloop.report.page.traces._MOST", most)
        data = trace_data(run)
        assert data is not None and bool(data["stretch"]) is not exact
        (torques,) = [panel for panel in data["panels"] if panel["unit"] == "N m"]
        shown = {channel["name"]: unpacked(channel) for channel in torques["channels"]}
        true = run.traces["true_torque"]
        step = (true.max() - true.min()) / 65535.0
        assert len(shown["true_torque"]) == data["points"]
        assert abs(shown["true_torque"].max() - true.max()) <= step
        if exact:
            assert np.max(np.abs(shown["true_torque"] - true)) <= step
            assert data["step"] == pytest.approx(run.time[1] - run.time[0])


def test_what_is_left_out_is_what_the_readme_says() -> None:
    note, table = left_out()
    assert table.columns == ("where", "left out", "how large") and len(table.rows) > 10
    assert note.startswith("Sizes marked *") and all(len(row) == 3 for row in table.rows)
    flat = " ".join(README.split())
    assert len(cautions()) >= 4 and all(caution in flat for caution in cautions())


def test_what_binds_is_what_uses_most_of_its_bound(whole: Report) -> None:
    front = whole.front
    used = [entry.used or 0.0 for entry in front.judgements]
    assert [entry.used for entry in front.binding] == sorted(used, reverse=True)[:3]
    assert all(a.holds <= b.holds for a, b in pairwise(front.judgements)), "what fails comes first"
    assert front.sentences[1].startswith("Nearest to its bound: ")


def test_page_one_says_in_its_first_sentence_what_faults_break(whole: Report, page: str) -> None:
    """Whatever the demands of the healthy bench: a yes beside damage is a yes with a but."""
    front, damaging = whole.front, next(f.answer for f in whole.found if f.section.name == "faults").damaging
    missed = sum(run.tripped is None for run in damaging)
    assert damaging and missed
    said = f"{len(damaging)} of 24 faults take a part beyond its limit, worst where load is blocked: ts sees "
    assert said in front.lead and f"no interlock notices {missed} of them" in front.lead
    good = tuple(entry for entry in whole.found if all(j.holds for j in entry.judgements))
    kind = re.compile(r'<p class="lead (\w+)">')
    lead = front_of(good).lead
    assert lead.startswith("Yes while nothing fails: all ") and f"; but {said}" in lead
    assert kind.findall(text_of(replace(whole, front=front_of(good)))) == ["open"]
    sound = tuple(entry for entry in good if entry.section.name != "faults")
    lead = front_of(sound).lead
    assert lead.startswith("Yes: all ") and "Not answered here: " in lead and "something fails" in lead
    assert kind.findall(page) == ["open" if front.holds else "bad"]


def test_sections_are_a_table_and_wrong_names_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(
        ScenarioError, match=r'`only` "margin": no such section; known: expectations, .*nearest: margins'
    ):
        named_sections(["margin"])
    extra = replace(SECTIONS[1], name="extra", question="One more?")
    monkeypatch.setattr(sections, "SECTIONS", (*SECTIONS, extra))
    report = report_of(shaftloop.read("reference-bench", SHORT), "extra")
    assert "One more?" in text_of(report)


def test_python_writes_the_page_too_and_refuses_other_endings(tmp_path: Path) -> None:
    bench = shaftloop.read("reference-bench", SHORT)
    report = bench.report(tmp_path / "out.html", only=["modes"])
    assert (tmp_path / "out.html").read_text(encoding="utf-8") == text_of(report)
    with pytest.raises(OutputError, match=r"out.doc: unknown ending; a report is written as .html, .pdf"):
        bench.report(tmp_path / "out.doc")


def test_a_branch_stands_in_a_lane_of_its_own() -> None:
    drawn = fromstring(line_svg(shaftloop.read("axle-split").show()))
    names = [text.text for text in drawn.iter() if text.get("class") == "name"]
    assert names.count("diff") == 2 and {"half_left", "half_right", "wheel_right"} <= set(names)
    rows = {text.text: float(text.get("y", "0")) for text in drawn.iter() if text.get("class") == "name"}
    assert rows["wheel_right"] > rows["wheel_left"] > rows["half_left"]
