"""Candidates that are tuned: by the functions of `tune`, and judged with those gains."""

from pathlib import Path

import pytest
from whatif import FIGURE, STIFFNESS, design, entries, read

from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.responses import evaluate
from shaftloop.studies.tuning.choosing import TuningDemand
from shaftloop.studies.tuning.plant import loop_named
from shaftloop.studies.tuning.tolerance import Corner
from shaftloop.studies.tuning.tune import tune
from shaftloop.studies.whatif import evaluate as module
from shaftloop.studies.whatif.store import open_store

TWO = STIFFNESS.replace("count = 4", "count = 2")
TUNE = '[tune]\nloops = ["torque"]\n'
MS = '[[response]]\nmetric = "margins.torque.ms"\n'


@pytest.mark.compiled
def test_a_candidate_has_the_gains_of_the_tune_command_and_the_figures_of_these_gains(tmp_path: Path) -> None:
    blocks = (TWO, TUNE, MS, FIGURE, design("grid"))
    study, plan = read(tmp_path, *blocks)
    found = entries(tmp_path, *blocks)
    gains = set()
    for candidate, entry in zip(plan.candidates(range(plan.total)), found, strict=True):
        row = dict(zip(study.figures, entry[4], strict=True))
        bench = read_scenario(
            "reference-bench", (*study.settings, *candidate.settings(study.axes))
        ).description
        tuning = tune([Corner("nominal", bench)], TuningDemand(("torque",)))
        loop = loop_named(tuning.description, "torque")
        assert (row["tuned.torque.kp"], row["tuned.torque.ki"]) == (loop.kp.value, loop.ki.value)
        assert row["tuned.torque.feasible"] == float(tuning.loops["torque"].feasible) == 1.0
        assert (
            row["margins.torque.ms"]
            == evaluate(tuning.description, ["margins.torque.ms"])["margins.torque.ms"].value
        )
        gains.add(loop.ki.value)
    assert len(gains) == 2


@pytest.mark.compiled
def test_a_candidate_that_cannot_keep_the_bounds_has_the_nearest_gains_and_does_not_pass(
    tmp_path: Path,
) -> None:
    tight = TUNE.replace("torque", "speed")
    study, _ = read(tmp_path, TWO, tight, FIGURE, design("grid"))
    assert [(bound.metric, bound.at_least, bound.origin) for bound in study.bounds] == [
        ("tuned.speed.feasible", 1.0, "tune")
    ]
    for entry in entries(tmp_path, TWO, tight, FIGURE, design("grid")):
        row = dict(zip(study.figures, entry[4], strict=True))
        assert entry[1] == "done" and row["tuned.speed.feasible"] == 0.0 and row["tuned.speed.kp"] > 0.0


@pytest.mark.parametrize(
    ("blocks", "said"),
    [
        (
            ('[tune]\nloops = ["torqe"]\n',),
            'tune.loops: "torqe" is no loop to tune; known: speed, torque; nearest: torque',
        ),
        (("[tune]\nloops = []\n",), 'tune.loops: the list is empty; write e.g. loops = ["torque"]'),
        (('[tune]\nloops = ["speed", "speed"]\n',), "tune.loops: a loop stands there twice; leave one out"),
        ((TUNE + 'structure = "pi_noch"\n',), '"pi_noch" is no structure; known: kept, pi, '),
        ((TUNE + "ms = 0.9\n",), "tune.ms: 0.9 is out of range; allowed: above 1 and at most 100"),
        (
            (TUNE, '[[factor]]\npath = "loop.torque.kp"\nvalues = [0.1, 0.2]\n'),
            "loop.torque.kp is a factor and tuned for every candidate; leave one of them out",
        ),
        (
            (TUNE, '[[objective]]\nmetric = "tuned.torque.kii"\n'),
            '"tuned.torque.kii" is no figure of what is tuned; known: tuned.torque.kp, tuned.torque.ki, '
            "tuned.torque.feasible; nearest: tuned.torque.ki",
        ),
        (
            ('[[objective]]\nmetric = "tuned.torque.ki"\n',),
            "is no figure of what is tuned; add a table [tune]",
        ),
    ],
)
def test_what_cannot_be_tuned_is_refused_in_words(tmp_path: Path, blocks: tuple[str, ...], said: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, TWO, *blocks, FIGURE, design("grid"))
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (SimulationError("it never settles", "lower kp"), "tuning: it never settles; lower kp"),
        (ZeroDivisionError("by zero"), "internal error: ZeroDivisionError: by zero"),
    ],
)
def test_a_candidate_that_cannot_be_tuned_is_a_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, reason: str
) -> None:
    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(module, "tuned", fail)
    assert {entry[1:3] for entry in entries(tmp_path, TWO, TUNE, FIGURE, design("grid"))} == {
        ("failed", reason)
    }


def test_rows_that_were_tuned_otherwise_are_another_study(tmp_path: Path) -> None:
    study, plan = read(tmp_path, TWO, FIGURE, design("grid"))
    open_store(tmp_path / "r.sqlite", study, plan).__exit__(None, None, None)
    other, same = read(tmp_path, TWO, TUNE, FIGURE, design("grid"))
    with pytest.raises(ScenarioError, match=r"changed: .*tune"):
        open_store(tmp_path / "r.sqlite", other, same)
