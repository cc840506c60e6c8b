"""What a run says of its end: what turns, what is stored, and what magnets do."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from shaftloop.answers.run import RunAnswer, find_run
from shaftloop.report.quantities import show
from shaftloop.report.run import room
from shaftloop.report.terminal import print_details
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.source import find_scenario

TRIP = '[[sequence]]\ndo = "hold"\ntime = "80 ms"\n\n[[sequence]]\ndo = "trip"\n'
LIMIT = '\n[[limit]]\nname = "top"\nwatches = "ts"\nabove = "10 N m"\n'

Ending = Callable[..., RunAnswer]


@pytest.fixture
def ending(tmp_path: Path) -> Ending:
    """Make a run of the reference bench that goes on after something."""

    def run(more: str, *settings: str) -> RunAnswer:
        text = find_scenario("reference-bench").read_text(encoding="utf-8")
        path = tmp_path / "bench.toml"
        path.write_text(text.replace("[[expect]]", f"{more}\n[[expect]]", 1), encoding="utf-8")
        return find_run(read_scenario(path, ["duration=0.2 s", *settings]))

    return run


def told(answer: RunAnswer, capsys: pytest.CaptureFixture[str]) -> str:
    print_details(room.details(answer))
    return capsys.readouterr().out


def test_a_trip_says_what_turns_on(ending: Ending, capsys: pytest.CaptureFixture[str]) -> None:
    answer = ending(TRIP, "sequence.1.wait=false")
    first = room.verdict(answer)[0]
    speed = f"{answer.at_end.speed * 9.549296585513721:.1f} rpm"
    begin = f"The sequence takes the torque away at 0.08 s, and at the end the line still turns at {speed}; "
    assert first.startswith(f"{begin}the run of 0.2 s ends with no interlock tripped;")
    text = " ".join(told(answer, capsys).split())
    assert f"speed of the line {speed}" in text and "current of drive" in text
    assert "without torque, by drag alone, to 1 % of its speed" in text
    volts = show(answer.at_end.voltages["drive"], "V", 3)
    assert f"Caution: the magnets make voltage as long as they turn (at the end drive {volts}, load" in text
    assert "charge the link" not in text
    left = room.document(answer)["at_end"]
    assert left["speed"]["value"] == answer.at_end.speed and left["caution"].startswith(
        "Caution: the magnets"
    )


def test_an_interlock_says_so_too(ending: Ending) -> None:
    first = room.verdict(ending(LIMIT, "sequence.1.rise=1 ms"))[0]
    assert first.startswith("The run does not hold: interlock top trips at ")
    assert ", and at the end the line still turns at " in first


def test_magnets_that_make_more_than_the_link_are_named(ending: Ending) -> None:
    answer = ending(TRIP, "sequence.1.wait=false")
    described = answer.scenario.description
    description = replace(described, supply=replace(described.supply, voltage=10.0))
    weak = replace(answer, scenario=replace(answer.scenario, description=description))
    caution = room.document(weak)["at_end"]["caution"]
    assert "; drive and load would charge the link through the diodes." in caution


def test_a_line_that_stands_says_nothing(one_machine: RunAnswer, ending: Ending) -> None:
    standing = ending("", "sequence.0.to=0 rpm", "sequence.1.high=0 N m")
    assert not standing.at_end.turns and standing.off is None
    assert not any(
        getattr(piece, "title", "") == "Left at the end of the run" for piece in room.details(standing)
    )
    # No magnets that are modelled: no caution, but the line turns.
    assert one_machine.at_end.turns and room.document(one_machine)["at_end"]["caution"] is None
    titles = [getattr(piece, "title", "") for piece in room.details(one_machine)]
    assert "Left at the end of the run" in titles


def test_figures_of_several_steps_are_not_given_to_one(ending: Ending) -> None:
    answer = ending("")
    said = room.verdict(answer)[1]
    names = ("torque_rise_time", "torque_overshoot", "torque_settling_time")
    rise, over, settled = (answer.metrics[name].value for name in names)
    assert rise is not None and over is not None and settled is not None
    assert f"its steps rise within {show(rise, 's', 3)}, overshoot by at most {over:.1f} %" in said
    assert said.endswith(f" and settle within {show(settled, 's', 3)}.")
