"""A scenario read anew under further settings, against the whole reading."""

import random
from pathlib import Path

import pytest

from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import Scenario, Variants, read_scenario, stated_values
from shaftloop.scenario.shipped import shipped_folder, shipped_names
from shaftloop.studies.whatif.designs import CandidatePlan
from shaftloop.studies.whatif.reading import read_study

STUDIES = sorted(path.name for path in (shipped_folder() / "studies").glob("*.toml"))


def whole(scenario: Scenario, settings: list[str]) -> object:
    try:
        every = (*scenario.settings, *settings)
        return read_scenario(scenario.path, every, beside=scenario.beside).description
    except ScenarioError as error:
        return error.messages


def varied(variants: Variants, settings: list[str]) -> object:
    try:
        return variants.read(settings)
    except ScenarioError as error:
        return error.messages


@pytest.mark.parametrize("name", STUDIES)
def test_candidates_of_shipped_studies_are_read_alike(name: str) -> None:
    study = read_study(shipped_folder() / "studies" / name)
    plan, variants = CandidatePlan(study.axes, study.design), Variants(study.scenario)
    for candidate in plan.candidates(range(0, plan.total, max(1, plan.total // 8))):
        settings = list(candidate.settings(plan.axes))
        assert varied(variants, settings) == whole(study.scenario, settings)


@pytest.mark.parametrize("name", shipped_names())
def test_random_settings_are_read_alike_right_or_wrong(name: str) -> None:
    draw = random.Random(name)
    scenario = read_scenario(name)
    stated = [entry for entry in stated_values(scenario) if isinstance(entry.text, str)]
    variants = Variants(scenario)
    outcomes = set()
    for _ in range(25):
        settings = [changed(draw, entry.path, str(entry.text)) for entry in draw.sample(stated, 3)]
        found = varied(variants, settings)
        assert found == whole(scenario, settings), settings
        outcomes.add(isinstance(found, tuple | list))
    assert outcomes == {True, False}
    assert variants.read(()) == scenario.description


def changed(draw: random.Random, path: str, text: str) -> str:
    """Return a setting of what a scenario states: another number mostly, now and then what cannot be."""
    number, _, unit = text.partition(" ")
    try:
        value = float(number)
    except ValueError:
        return f"{path}={draw.choice([text, text, text, 'nobody', '3', '3 kg', '[1]', '{a = 1}'])}"
    unit = draw.choice([unit] * 8 + ["s", ""])
    scaled = value * draw.choice([1.0, 1.1, 0.9, 2.0, 0.5, -1.0, 0.0, 1e4])
    return f"{path}={scaled:.6g} {unit}".strip()


def test_what_is_set_may_be_new_a_table_or_a_part_file(tmp_path: Path) -> None:
    scenario = read_scenario("reference-bench", ["duration=0.5 s"])
    variants = Variants(scenario)
    for settings in (
        ["line.drive.drag.coulomb=0.4 N m"],
        ["line.c1.backlash=0.1 deg", "line.c1.backlash=0.2 deg"],
        ["record.rate=2 kHz"],
        ["loop.torque.filters=[{kind = 'notch', frequency = '300 Hz', width = '30 Hz'}]"],
        ["line.c1.from=parts/nothing.toml"],
        ["line.1.stiffness=20 kN m/rad", "line.c1.stiffness=-1 N m/rad"],
        ["hop.none.period=1 ms"],
        ["loop.torque.kp.value=1"],
        ["no path"],
        ["loop=3", "line=[]"],
    ):
        assert varied(variants, settings) == whole(scenario, settings), settings
        assert variants.read(()) == scenario.description
