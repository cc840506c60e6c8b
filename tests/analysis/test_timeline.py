"""What happened in a run: times against its events, what lies behind its end against longer runs."""

import math
from dataclasses import replace
from fractions import Fraction
from typing import Any

import matplotlib.figure
import pytest

from rigs import RECTIFIER, Table, coupling, describe, fed_bench, hold, ramp, sensor, servo, speed_loop, step
from rigs import torque_loop as torque
from shaftloop.analysis.simulation import simulate
from shaftloop.analysis.timeline import SAFE, Timeline, known_figures, timeline
from shaftloop.answers.run import RunAnswer, find_run
from shaftloop.report.run import room
from shaftloop.report.run.timeline import timeline_picture
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.responses import evaluate

DRAG = {"viscous": "0.05 N m s/rad", "coulomb": "2 N m", "smoothing": "0.5 rad/s"}
LAG = {"time_constant": "1 ms"}


def rig(*faults: Table, duration: str = "0.5 s", **more: Any) -> Description:
    """Return two machines that turn at 60 rad/s under 20 N m, and what fails."""
    line = [
        servo("drive", 0.05, drag=DRAG, **LAG),
        sensor("ts", 6e4, range="100 N m", damping="20 N m s/rad"),
        servo("load", 0.1, **LAG),
    ]
    up = {"do": "ramp", "loop": "speed", "to": "60 rad/s", "over": "0.1 s"}
    return describe(
        {
            "duration": duration,
            "line": line,
            "loop": [speed_loop("drive", 5.0, 20.0), torque("load", "ts")],
            "sequence": [step("torque", "20 N m"), up],
            "fault": list(faults),
            **more,
        }
    )


def found(description: Description) -> Timeline:
    line = timeline(simulate(description))
    assert line is not None
    return line


def value(line: Timeline, name: str) -> float:
    size = line.figures[f"timeline.{name}"].value
    assert size is not None
    return size


FULL = {"name": "dead", "on": "ts", "kind": "full_scale", "at": "0.3 s"}
OVER = {"name": "over", "watches": "ts", "above": "90 N m", "debounce": "3 ms", "reaction": "2 ms"}


def test_who_noticed_and_who_acted_is_counted_from_the_fault() -> None:
    line = found(rig(FULL, limit=[OVER]))
    seen = next(moment for moment in line.moments if moment.kind == "exceeded")
    assert line.begin == 0.3
    assert value(line, "noticed_after") == pytest.approx(seen.time - 0.3 + 3e-3)
    assert value(line, "acted_after") == pytest.approx(value(line, "noticed_after") + 2e-3)
    # The lag of the machines: from no more than their largest torque to a hundredth of it.
    gone = value(line, "torque_gone_after") - value(line, "acted_after")
    assert 1e-3 < gone < 1e-3 * math.log(100.0) + 2.5e-4
    kinds = [moment.kind for moment in line.moments]
    assert kinds == ["failed", "exceeded", "tripped", "torque_off", "torque_gone", "stands"]


def test_without_a_fault_it_begins_where_the_interlock_sees_its_level_passed() -> None:
    line = found(rig(limit=[{**OVER, "watches": "drive", "above": "30 rad/s"}]))
    assert line.begin == next(moment for moment in line.moments if moment.kind == "exceeded").time
    assert value(line, "noticed_after") == pytest.approx(3e-3)
    assert timeline(simulate(rig())) is None and not any(known_figures(simulate(rig()).bench))


TRIP = [step("torque", "20 N m"), ramp("600 rpm", "0.1 s"), {"do": "trip"}]


def test_the_line_runs_on_as_long_and_as_far_as_was_computed() -> None:
    """A run that ends right behind the trip against one that sees the line stand."""
    short = found(rig(duration="0.3 s", sequence=TRIP))
    long = found(rig(duration="4 s", sequence=TRIP))
    ends = [next(m for m in line.moments if m.kind == "stands") for line in (short, long)]
    assert (ends[0].expected, ends[1].expected) == (True, False)
    assert value(short, "stands_after") == pytest.approx(value(long, "stands_after"), rel=2e-3)
    assert value(short, "turns") == pytest.approx(value(long, "turns"), rel=2e-3)
    # Closed form from where the torque is gone: J·ω' = -c - b·ω.
    rate, coulomb, inertia = 0.05, 2.0, 0.15
    speed = math.sqrt(2.0 * value(long, "line_energy") / inertia)
    closed = inertia / rate * math.log(1.0 + rate * speed / coulomb)
    assert value(long, "stands_after") - value(long, "torque_gone_after") == pytest.approx(closed, rel=0.02)


def test_the_link_discharges_as_was_computed() -> None:
    supply = RECTIFIER | {"discharge_resistance": "100 ohm"}
    moves = [ramp("300 rpm", "0.1 s"), {"do": "grid", "to": 0}, {"do": "trip"}, hold("0.2 s")]
    idle = {"efficiency": 1.0}
    short = found(fed_bench(supply, moves, **idle))
    long = found(fed_bench(supply, [*moves, hold("0.5 s")], **idle))
    ends = [next(m for m in line.moments if m.kind == "discharged") for line in (short, long)]
    assert (ends[0].expected, ends[1].expected) == (True, False)
    # Each machine draws 50 W while the link is above half of 540 V, which is over before the short run ends.
    assert value(short, "discharged_after") == pytest.approx(value(long, "discharged_after"), abs=2e-3)
    assert value(long, "link_energy") <= 0.5 * 2e-3 * 545.0**2
    dead = found(fed_bench(RECTIFIER, moves))
    figure = dead.figures["timeline.discharged_after"]
    assert figure.value is None and "nothing is stated that discharges" in figure.reason
    assert SAFE == 60.0


def test_figures_of_the_timeline_are_responses_with_reasons() -> None:
    names = [f"simulate.timeline.{name}" for name in ("noticed_after", "stands_after", "turns")]
    figures = evaluate(rig({**FULL, "kind": "zero"}), names)
    assert figures[names[0]].reason == "none trips" and figures[names[1]].value is None
    assert figures[names[2]].reason.startswith("the torque is not away")
    calm = evaluate(rig(limit=[OVER]), names[:1])
    assert calm[names[0]].reason == "nothing fails and nothing takes the torque away"


@pytest.fixture(scope="module")
def answer() -> RunAnswer:
    scenario = read_scenario("wheel-hub")
    seized = rig({"name": "seized", "on": "load", "kind": "blocked", "at": "0.2 s"}, sequence=TRIP)
    return find_run(replace(scenario, description=replace(seized, duration=Fraction(3, 10))))


def test_table_document_and_picture_say_the_same(answer: RunAnswer) -> None:
    table = next(p for p in room.details(answer) if getattr(p, "title", "") == "What happened")
    said = [row[2] for row in table.rows]  # type: ignore[union-attr]
    document = room.document(answer)["timeline"]
    assert [moment["what"] for moment in document["moments"]] == said
    assert said[:2] == ["the sequence takes the torque away", "the torque of every machine is gone"]
    assert "load is blocked" in said
    assert document["begin"]["value"] == pytest.approx(0.1)
    picture = timeline_picture(answer, "It stops")
    assert picture is not None
    figure = matplotlib.figure.Figure()
    picture.paint(figure)
    texts = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert len(texts) == len(said) and any(text.startswith("load is blocked, 100 ms") for text in texts)


def test_where_events_chatter_the_ends_are_still_told() -> None:
    limit = {"name": "often", "watches": "drive", "above": "60 rad/s", "debounce": "10 s"}
    wave = {"do": "sine", "loop": "speed", "mean": "60 rad/s", "amplitude": "5 rad/s", "frequency": "4 Hz"}
    moves = [ramp("600 rpm", "0.1 s"), {**wave, "time": "3 s"}, {"do": "trip"}]
    description = rig(sequence=moves, limit=[limit], duration="3.5 s")
    answer = find_run(replace(read_scenario("wheel-hub"), description=description))
    pieces = list(room.details(answer))
    table = next(p for p in pieces if getattr(p, "title", "") == "What happened")
    assert len(table.rows) == 14  # type: ignore[union-attr]
    assert "the line stands" in table.rows[-1][2]  # type: ignore[union-attr]
    assert any(isinstance(p, str) and p.startswith("... and") for p in pieces)


def test_a_line_that_a_coupling_no_longer_holds_together_has_its_energy_by_pieces() -> None:
    line = [servo("drive", 0.05, drag=DRAG, **LAG), coupling("c", 2e4), servo("load", 0.1, drag=DRAG, **LAG)]
    broken = {"name": "snap", "on": "c", "kind": "broken", "at": "0.3 s"}
    moves = [ramp("60 rad/s", "0.1 s"), hold("0.3 s"), {"do": "trip"}, hold("0.1 s")]
    document: Table = {"line": line, "loop": [speed_loop("drive", 5.0, 20.0)], "sequence": moves}
    found_ = found(describe({**document, "fault": [broken]}))
    at_break = 0.5 * 0.15 * 60.0**2
    assert 0.5 * 0.05 * 59.0**2 < value(found_, "line_energy") < at_break
