"""Loops that are tuned together end in one bench, and nothing worse than what was there is recommended."""

from pathlib import Path

import pytest

from randombench import random_bench
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.checks.run import judge_of_changes
from shaftloop.studies.tuning.choosing import TuningDemand
from shaftloop.studies.tuning.plant import loop_named
from shaftloop.studies.tuning.tolerance import Corner
from shaftloop.studies.tuning.tune import tune

pytestmark = pytest.mark.compiled
BOTH = ("speed", "torque")


@pytest.mark.parametrize("seed", [4, 9])
def test_both_loops_keep_their_bounds_in_one_bench(tmp_path: Path, seed: int) -> None:
    """In the second the loops never find each other: each takes the room that the other has left."""
    path = tmp_path / "bench.toml"
    path.write_text(random_bench(seed), encoding="utf-8")
    found = tune([Corner("nominal", read_scenario(path).description)], TuningDemand(BOTH))
    margins = {name: entry.margins for name, entry in analyse_loops(found.description, BOTH).items()}
    for name, entry in found.loops.items():
        assert entry.chosen.design is not None
        assert entry.chosen.design.analysis.margins.ms == pytest.approx(margins[name].ms, rel=1e-9)
        kept = margins[name].stable and margins[name].ms <= 1.6 and margins[name].mt <= 1.4
        assert entry.feasible == kept
    assert found.feasible


def test_several_loops_hold_what_the_scenario_expects_if_those_of_before_do() -> None:
    scenario = read_scenario("wheel-hub")
    judge = judge_of_changes(scenario)
    bench = scenario.description
    assert all(verdict.status == "passed" for verdict in judge(bench))
    free = tune([Corner("nominal", bench)], TuningDemand(BOTH))
    assert any(verdict.status != "passed" for verdict in judge(free.description)), (
        "so something must give way"
    )
    found = tune([Corner("nominal", bench)], TuningDemand(BOTH), judge=judge)
    assert found.recommended and all(verdict.status == "passed" for verdict in judge(found.description))
    assert all("of the way back" in " ".join(entry.binding) for entry in found.loops.values())
    for name, entry in found.loops.items():
        assert entry.before is not None and entry.chosen.design is not None
        assert loop_named(bench, name) == entry.before.loop
        assert entry.chosen.design.error_area < entry.before.error_area


def test_a_structure_that_is_asked_for_gives_way_to_gains_that_do_better() -> None:
    bench = read_scenario("reference-bench").description
    low_pass = tune([Corner("nominal", bench)], TuningDemand(("torque",), structures=("pi_low_pass",)))
    assert low_pass.loops["torque"].chosen.name == "pi_low_pass", "where it is better it is recommended"
    first = low_pass.description
    found = tune([Corner("nominal", first)], TuningDemand(("torque",), structures=("pi",)))
    entry = found.loops["torque"]
    assert entry.chosen.name == "kept" and entry.chosen.title.startswith("as the scenario has it")
    assert entry.chosen.design is not None and entry.chosen.design.loop == loop_named(first, "torque")
    asked = next(option for option in entry.options if option.name == "pi")
    assert asked.design is not None and asked.cost > entry.chosen.cost
