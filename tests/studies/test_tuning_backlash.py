"""Gains of benches with a backlash: found in contact, run where nothing presses the flanks."""

from dataclasses import replace

import numpy as np
import pytest

from shaftloop.answers.tuning import TuneAnswer, find_gains
from shaftloop.report.check.words import verdict_words
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.tuning.choosing import TuningDemand
from shaftloop.studies.tuning.rattle import SWING, closed, rattle

pytestmark = pytest.mark.compiled

DEMAND = TuningDemand(("torque",))
LEAST = ("loop.torque.kp=0.01513", "loop.torque.ki=5.923 1/s")
"""Gains of the e-bike that the linear figures like best, inside bounds and expectations."""


@pytest.fixture(scope="module")
def tuned() -> TuneAnswer:
    return find_gains(read_scenario("e-bike"), DEMAND)


def test_gains_that_swing_are_seen_and_not_recommended(tuned: TuneAnswer) -> None:
    swinging = rattle(read_scenario("e-bike", LEAST).description, None, None)
    assert swinging is not None and swinging.parts == ("box",) and swinging.fails
    assert 3.0 < swinging.swing < 8.0 and 10.0 < swinging.frequency < 15.0
    verdict = swinging.verdict
    assert verdict.status == "failed" and verdict.expectation.metric == SWING
    assert verdict_words(verdict).startswith(f"{SWING} ")
    tuning = tuned.tuning
    assert tuning.rattle is not None and not tuning.rattle.fails and tuning.recommended
    assert tuning.rattle.rests and tuned.rattling.endswith("which dies out")
    assert not any("a torque set-point of 0" in note for note in tuned.notes), "nothing to warn of"
    assert any("box counts as touching on the flank" in note for note in tuned.notes)
    binding = " ".join(tuning.loops["torque"].binding)
    assert "or that no backlash keeps it swinging, which the gains of least cost break" in binding
    failed = replace(tuned, tuning=replace(tuning, rattle=swinging))
    assert not failed.tuning.recommended
    assert failed.verdict.startswith("do not use: run with its backlash, at a torque set-point of 0 box lets")
    assert "without it by" in failed.verdict and "2 N m allowed" in failed.verdict
    diverged = replace(swinging, swing=np.inf)
    assert replace(tuned, tuning=replace(tuning, rattle=diverged)).verdict.endswith("lets the bench diverge")


def test_without_the_backlash_the_same_gains_come_to_rest() -> None:
    bench = read_scenario("e-bike", LEAST).description
    tight, parts = closed(bench)
    assert parts == ("box",) and closed(tight) == (tight, ())
    assert rattle(tight, None, None) is None
    found = rattle(bench, None, None)
    assert found is not None and found.closed is not None and found.closed < 0.01 * found.swing


def test_at_no_torque_the_flanks_count_as_touching_and_that_is_said() -> None:
    found = find_gains(read_scenario("geared-reversal"), replace(DEMAND, torque=0.0, speed=10.0))
    assert found.tuning.apart == ("box",)
    assert any("nothing presses the flanks of box at this operating point" in note for note in found.notes)
    assert found.tuning.rattle is not None and found.tuning.rattle.swing > 0.1
    assert found.tuning.rattle.closed is None, "what is allowed is not run without the backlash"
    (said,) = (note for note in found.notes if "a torque set-point of 0" in note)
    assert "box lets the true torque swing" in said and "without it" not in said
    backlash = {part.name: getattr(part, "backlash", 0.0) for part in found.tuning.description.line}
    assert backlash["box"] > 0.0, "what is written and judged is the bench as it stands"


def test_a_proof_that_fails_is_no_recommendation(tuned: TuneAnswer) -> None:
    entry = replace(tuned.tuning.loops["torque"], proof=None, unproven="the bench diverged at t = 0.5 s")
    failed = replace(tuned, tuning=replace(tuned.tuning, loops={"torque": entry}))
    assert not failed.tuning.recommended
    assert failed.verdict == "do not use: proof of torque: the bench diverged at t = 0.5 s"


def test_a_step_that_cannot_begin_is_made_smaller() -> None:
    found = find_gains(read_scenario("eddy-brake"), DEMAND)
    proof = found.tuning.loops["torque"].proof
    assert proof is not None and proof.experiment.step == pytest.approx(45.0)
    says = "the bench cannot hold 800 rpm and 0 N m; load is a brake, which does not drive: needs"
    assert proof.shortened.startswith(says)
