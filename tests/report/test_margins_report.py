"""Document, table and pictures of the margins."""

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

from changed import changed
from shaftloop.analysis.delay import DelayMargin, PathMargin
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.poles import Pole
from shaftloop.analysis.stepresponse import step_response
from shaftloop.analysis.worstcase import LoopAnalysis, MapPoint, analyse_loops, worst_cases
from shaftloop.answers.margins import LoopAnswer, MarginsAnswer
from shaftloop.report.documents import as_json
from shaftloop.report.margins import room
from shaftloop.report.margins.bode import bode_picture
from shaftloop.report.margins.nyquist import nyquist_picture
from shaftloop.report.margins.poles import pole_picture
from shaftloop.report.margins.step import step_picture
from shaftloop.report.margins.vary import vary_picture
from shaftloop.report.terminal import print_details
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.vary import MarginsDemand, read_range, vary

pytestmark = pytest.mark.compiled

NO_DELAY = DelayMargin(*4 * [PathMargin(None, "nothing to delay")])


@pytest.fixture(scope="module")
def found() -> MarginsAnswer:
    scenario = read_scenario("reference-bench")
    analyses = analyse_loops(scenario.description, ("speed", "torque"))
    return MarginsAnswer(scenario, {name: result(analysis) for name, analysis in analyses.items()})


def result(analysis: LoopAnalysis) -> LoopAnswer:
    bench, margins = analysis.bench, analysis.margins
    loop = bench.bench.loops[margins.loop]
    step = step_response(bench, loop, margins.point, analysis.state, margins.largest_eigenvalue)
    return LoopAnswer(analysis, step, NO_DELAY, None, "|L| never crosses 1")


def with_margins(results: MarginsAnswer, name: str, **changes: object) -> MarginsAnswer:
    """Return the results with figures of one loop changed."""
    loop = results.loops[name]
    margins = changed(loop.margins, **changes)
    other = replace(loop, analysis=replace(loop.analysis, margins=margins))
    return replace(results, loops={**results.loops, name: other})


def text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def test_what_does_not_exist_is_null_with_a_reason(found: MarginsAnswer) -> None:
    bare = with_margins(
        found, "torque", gain_margin=None, phase_margin=None, crossover=None, bandwidth=None, rejection=None
    )
    document = json.loads(as_json(room.document(bare)))["loops"]["torque"]
    for key in ("gain_margin", "phase_margin", "crossover", "bandwidth", "rejection", "delay_margin"):
        assert document[key]["value"] is None and document[key]["reason"]
    assert document["budget"] is None and document["budget_reason"] == "|L| never crosses 1"
    assert document["delay_margin"]["after_sampler"]["edge"]["reason"] == "nothing to delay"


def test_the_smaller_delay_margin_stands_first_and_both_are_named(
    found: MarginsAnswer, capsys: pytest.CaptureFixture[str]
) -> None:
    delay = DelayMargin(PathMargin(0.0227), PathMargin(0.008125), PathMargin(0.0), PathMargin(0.0225))
    torque = replace(found.loops["torque"], delay=delay)
    changed = replace(found, loops={"torque": torque})
    document = json.loads(as_json(room.document(changed)))["loops"]["torque"]["delay_margin"]
    assert (document["value"], document["at"]) == (0.008125, "command")
    assert document["at_reading"] == {"value": 0.0227, "unit": "s"}
    assert document["at_command"] == {"value": 0.008125, "unit": "s"}
    print_details(room.details(changed))
    lines = capsys.readouterr().out.splitlines()
    row = next(i for i, line in enumerate(lines) if "delay margin" in line)
    assert "8.125 ms at the command" in lines[row] and "22.70 ms at the reading" in lines[row + 1]


@pytest.mark.parametrize(
    ("exact", "simple", "warned"),
    [(2.0, 2.01, False), (2.0, 2.03, True), (None, None, False), (2.0, None, True), (None, 3.0, True)],
)
def test_a_difference_between_exact_and_fundamental_is_told(
    found: MarginsAnswer, exact: float | None, simple: float | None, warned: bool
) -> None:
    changed = with_margins(found, "torque", gain_margin=exact, fundamental_gain_margin=simple)
    warnings = changed.notes
    assert any("differ by more than 1 %" in warning for warning in warnings) is warned
    once = with_margins(found, "torque", gain_margin=exact, fundamental_gain_margin=simple, ticks=1)
    assert once.notes == ()


def test_it_is_said_that_nothing_holds_the_speed(
    found: MarginsAnswer, capsys: pytest.CaptureFixture[str]
) -> None:
    system = replace(found.loops["torque"].margins.system, free=True)
    free = with_margins(found, "torque", system=system)
    assert [w for w in free.notes if w.startswith("nothing holds the speed")]
    assert room.document(free)["loops"]["torque"]["speed_is_held"] is False
    assert room.document(free)["loops"]["speed"]["speed_is_held"] is True
    print_details(room.details(free))
    assert "nothing holds the speed" in capsys.readouterr().out


def test_a_point_of_the_map_that_is_prevented_has_a_reason(found: MarginsAnswer) -> None:
    margins = {name: loop.margins for name, loop in found.loops.items()}
    points = (MapPoint(10.0, 5.0, margins, ""), MapPoint(20.0, 5.0, {}, "clamp of loop torque"))
    loops = {name: replace(loop, worst=worst_cases(points, name)) for name, loop in found.loops.items()}
    document = room.document(replace(found, points=points, loops=loops))
    assert document["map"][1]["reason"] == "clamp of loop torque" and document["map"][1]["loops"] == {}
    assert document["loops"]["speed"]["worst_case"]["ms"]["speed"] == {"value": 10.0, "unit": "rad/s"}


def test_the_table_of_an_unstable_loop_says_so(
    found: MarginsAnswer, capsys: pytest.CaptureFixture[str]
) -> None:
    unstable = with_margins(found, "torque", stable=False, gain_margin=None, phase_margin=None)
    points = (MapPoint(10.0, 5.0, {n: r.margins for n, r in unstable.loops.items()}, ""),)
    print_details(room.details(replace(unstable, points=points)))
    captured = capsys.readouterr()
    assert captured.err == ""
    assert "UNSTABLE: margins of an" in captured.out and "none: nothing to delay" in captured.out


def test_the_bode_picture_marks_the_margins(found: MarginsAnswer, tmp_path: Path) -> None:
    paths = [tmp_path / "bode.svg", tmp_path / "bode.png"]
    bode_picture(found.loops["torque"].margins, "Costs $5 to $x_{", "").write(paths)
    assert all(path.stat().st_size > 5000 for path in paths)
    assert "Costs $5 to $x_{" in text_of(paths[0]) and "[dB]" in text_of(paths[0])
    far = changed(found.loops["speed"].margins, gain_margin=50.0, crossover=None)
    bode_picture(far, "Far", "").write(paths[:1])


def test_pictures_of_loops_without_margins(found: MarginsAnswer, tmp_path: Path) -> None:
    margins: Margins = found.loops["torque"].margins
    bare = changed(
        margins, crossings=(), gain_margin=None, gain_margin_down=None, phase_margin=None, crossover=None
    )
    for picture in (bode_picture, nyquist_picture):
        path = tmp_path / f"{picture.__name__}.svg"
        picture(changed(bare, stable=False), "Bare", "").write([path])
        assert path.stat().st_size > 5000


def test_pictures_are_the_same_every_time(found: MarginsAnswer, tmp_path: Path) -> None:
    first, second = tmp_path / "a.svg", tmp_path / "b.svg"
    for path in (first, second):
        nyquist_picture(found.loops["speed"].margins, "Again", "").write([path])
    assert text_of(first) == text_of(second)


@pytest.mark.parametrize("largest", [0.99, 1.2])
def test_the_pole_map(largest: float, tmp_path: Path) -> None:
    path = tmp_path / "poles.svg"
    poles = [
        Pole(complex(largest), -1e3 * math.log(largest), 0.0, 0.0),
        Pole(0.9j, 105.36, 1250.0, 250.0),
        Pole(-0.3j, 1204.0, None, 250.0),
    ]
    picture = pole_picture(poles, 1e-3, "")
    picture.write([path])
    text = text_of(path)
    assert "1250 Hz, damping 1.3 %" in text and "frequency not told" in text
    assert "250 Hz," not in text.replace("1250 Hz,", "") and ("GROWS" in text) is (largest > 1.0)
    assert picture.title.startswith("The bench is stable" if largest < 1.0 else "The bench is UNSTABLE")
    assert ("the slowest decay takes 99.5 ms to 1/e" in picture.title) is (largest < 1.0)


def test_the_step_picture_of_a_growing_response(found: MarginsAnswer, tmp_path: Path) -> None:
    step = found.loops["torque"].step
    growing = replace(step, true=100.0 * step.true, settling_time=None, overshoot=None)
    path = tmp_path / "step.png"
    picture = step_picture([step, growing], "")
    picture.write([path])
    assert picture.title.endswith("Loop torque does not settle after a small step")
    assert path.stat().st_size > 5000


def test_the_variation_picture_with_an_unstable_end(tmp_path: Path) -> None:
    scenario = read_scenario("reference-bench")
    variation = vary(scenario, read_range("loop.torque.kp=0.3..1.1:3"), MarginsDemand(("torque",)))
    path = tmp_path / "vary.svg"
    picture = vary_picture(variation, "")
    picture.write([path])
    assert picture.title == "Loop torque, kp of torque: stable up to 0.7285"
    assert "Ms 1.6" in text_of(path) and "gain margin" in text_of(path)
    torque = variation.margins["torque"]
    unstable = {"torque": tuple(changed(m, stable=False) for m in torque)}
    picture = vary_picture(replace(variation, margins=unstable, thresholds={"torque": ()}), "")
    picture.write([path])
    assert "no margin at any value" in text_of(path)
    assert picture.title == "Loop torque is unstable at every kp of torque looked at"
    # Where no gain is too much the panel shows the phase margin: it is never empty.
    calm = {"torque": tuple(changed(m, stable=True, gain_margin=None) for m in torque)}
    vary_picture(replace(variation, margins=calm), "").write([path])
    assert "phase margin [°]" in text_of(path)
