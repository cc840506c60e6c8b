"""What touches a person carries its caution: in the answer, its document and picture, and written files."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

import shaftloop
from shaftloop.answers.run import RunAnswer
from shaftloop.cautions import CAUTIONS, cautions
from shaftloop.cli.main import cli
from shaftloop.engine.events import Event
from shaftloop.scenario.first import FirstBench, first_scenario


def test_every_list_ends_with_local_codes() -> None:
    assert cautions() == ()
    assert cautions("gains", "link") == (CAUTIONS["gains"], CAUTIONS["link"], CAUTIONS["codes"])
    with pytest.raises(KeyError):
        cautions("luck")


def test_a_resonance_crossing_is_not_to_be_dwelt_at() -> None:
    bench = shaftloop.read("reference-bench")
    assert CAUTIONS["resonance"] in bench.modes().cautions
    document = json.loads(CliRunner().invoke(cli, ["modes", "reference-bench", "--json"]).stdout)
    assert document["cautions"] == [CAUTIONS["resonance"], CAUTIONS["codes"]]


def test_margins_have_none_but_an_injection_has() -> None:
    answer = shaftloop.read("reference-bench").margins("torque")
    assert answer.cautions == ()
    loop = answer.loops["torque"]
    assert (
        CAUTIONS["injection"] in replace(answer, loops={"torque": replace(loop, measured=object())}).cautions
    )


def test_a_line_that_still_turns_makes_voltage_and_a_trip_may_restart() -> None:
    answer: RunAnswer = shaftloop.read("reference-bench", {"duration": "0.3 s"}).simulate()
    assert answer.at_end.turns
    assert answer.cautions[:1] == (CAUTIONS["magnets"] if answer.at_end.voltages else CAUTIONS["link"],)
    assert CAUTIONS["restart"] not in answer.cautions
    events = (*answer.simulation.events, Event(0, 0.1, "torque_off", "top"))
    tripped = replace(answer, simulation=replace(answer.simulation, events=events))
    assert {CAUTIONS["restart"], CAUTIONS["lockout"]} <= set(tripped.cautions)


def test_changed_gains_carry_how_to_try_them(tmp_path: Path) -> None:
    gains = tmp_path / "g.toml"
    gains.write_text('[loop.torque]\nki = "110 1/s"\n', encoding="utf-8")
    picture = tmp_path / "p.svg"
    arguments = ["check", "wheel-hub", "--gains", str(gains), "--picture", str(picture)]
    assert CAUTIONS["gains"] in " ".join(CliRunner().invoke(cli, arguments).stdout.split())
    assert "nobody at the shaft" in " ".join(picture.read_text(encoding="utf-8").split())
    plain = CliRunner().invoke(cli, ["check", "reference-bench", "--json"])
    assert json.loads(plain.stdout)["cautions"] == []


def test_a_new_scenario_begins_with_what_comes_before_the_first_rotation() -> None:
    text = " ".join(first_scenario("b", FirstBench(90.0, 80.0)).replace("\n# ", " ").split())
    for name in ("gains", "loose parts", "lockout", "codes"):
        assert CAUTIONS[name] in text
