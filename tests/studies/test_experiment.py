"""Experiments that are planned, against logs of the runs that they ask for."""

from pathlib import Path

import numpy as np
import pytest

from shaftloop.analysis.overlay import read_measurement
from shaftloop.analysis.ratings import loads
from shaftloop.analysis.simulation import simulate
from shaftloop.answers.experiment import PlanAnswer, find_experiment
from shaftloop.errors import BenchError, ScenarioError
from shaftloop.scenario.reading import Scenario, read_scenario
from shaftloop.studies.identification.fit import estimate
from shaftloop.studies.identification.free import read_free
from shaftloop.studies.identification.replay import Replay

FREE = ("line.c1.stiffness", "line.load.inertia", "line.ts.filter.cutoff")


def bench(*settings: str) -> Scenario:
    return read_scenario("reference-bench", settings)


@pytest.fixture(scope="module")
def answer() -> PlanAnswer:
    return find_experiment(bench(), FREE, length=1.0, within=0.5)


def test_every_kind_is_tried_and_the_surest_recommended(answer: PlanAnswer) -> None:
    kinds = [trial.experiment.kind for trial in answer.plan.trials]
    assert sorted(kinds) == ["chirp", "coast_down", "multisine", "steps"]
    best = answer.plan.best.widths()
    assert all(np.prod(best) <= np.prod(trial.widths()) for trial in answer.plan.trials if not trial.refused)
    assert answer.plan.short == () and answer.unknown == ()
    assert answer.figures["line.c1.stiffness_within"].value == pytest.approx(best[0])


def test_a_log_of_the_experiment_tells_what_was_predicted(answer: PlanAnswer, tmp_path: Path) -> None:
    for name, text in answer.files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    planned = read_scenario(tmp_path / "reference-bench-plan.toml")
    run, rng = simulate(planned.description), np.random.default_rng(5)
    columns = {"time [s]": run.time - 0.02}
    for noise in answer.plan.best.noises:
        values = run.traces[noise.channel] + noise.deviation * rng.normal(size=len(run.time))
        columns[f"{noise.channel} [{noise.unit}]"] = values
    np.savez(tmp_path / "log.npz", **columns)
    replay = Replay(planned, [read_measurement(tmp_path / "log.npz")])
    start = ["line.c1.stiffness=26 kN m/rad", *FREE[1:], "log.clock"]
    fit = estimate(replay, read_free(planned, start, replay.log_parameters()))
    for predicted, found, truth in zip(
        answer.plan.best.wanted, fit.estimates, (25e3, 0.03, 1.2e3), strict=False
    ):
        assert found.value == pytest.approx(truth, abs=4.0 * predicted.deviation)
        assert found.deviation == pytest.approx(predicted.deviation, rel=0.5)


def test_nothing_is_recommended_that_passes_a_rating() -> None:
    found = find_experiment(bench("line.ts.rated=60 N m"), FREE[:1], length=0.5, kinds=("multisine",))
    best = found.plan.best
    assert best.experiment.share < 1.0 and not best.refused
    assert max(load.share(load.rated) for load in best.loads if load.rated) < 1.0
    with pytest.raises(ScenarioError, match=r"no experiment keeps what the bench stands.*multisine: ts sees"):
        find_experiment(bench("line.ts.rated=5 N m"), FREE[:1], length=0.5, kinds=("multisine",))
    whole = find_experiment(bench(), FREE[:1], length=0.5, kinds=("multisine",)).plan.best
    assert whole.experiment.share == 1.0
    assert {load.part for load in whole.loads} == {load.part for load in loads(simulate(bench().description))}


def test_what_cannot_be_told_apart_is_named_beforehand() -> None:
    free = ("line.c1.stiffness", "line.ts.stiffness")
    found = find_experiment(bench(), free, length=0.5, kinds=("steps",), logged=("load_speed=5 rad/s",))
    assert [entry.free.path for entry in found.unknown] == list(free)
    assert any(set(combination.paths) == set(free) for combination in found.combinations)
    assert [entry.free.path for entry in found.plan.short] == list(free)
    held = find_experiment(
        bench(),
        ("line.c1.stiffness=25 kN m/rad ± 2 %", free[1]),
        length=0.5,
        kinds=("steps",),
        logged=("load_speed=5 rad/s",),
    )
    assert held.plan.best.widths()[0] < 2.2 * 0.02 / np.sqrt(3.0)


def test_the_length_follows_from_what_is_wanted() -> None:
    wanted = dict(kinds=("steps",), logged=("reading=1 N m",))
    short = find_experiment(bench(), FREE[:1], length=6.0, **wanted).plan.best.widths()[0]
    longer = find_experiment(bench(), FREE[:1], within=0.8 * short, **wanted).plan
    assert longer.best.experiment.length > 8.0 and longer.short == ()


@pytest.mark.parametrize(
    ("wishes", "message"),
    [
        ({"kinds": ("sweep",)}, '`kinds` "sweep": choose of multisine, chirp, steps, coast_down'),
        ({"logged": ("readin",)}, '`logged` "readin": no such channel; nearest: reading'),
        ({"logged": ("reading=3 V",)}, "the unit V does not fit; expected N m; write CHANNEL=NOISE"),
        ({"logged": ("reading=0 N m",)}, "the noise must be above 0"),
        ({"point": "800 rpm"}, "write speed and torque"),
    ],
)
def test_what_cannot_be_planned(wishes: dict[str, object], message: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        find_experiment(bench(), FREE, **wishes)
    assert message in str(caught.value)


def test_a_bench_that_cannot_be_excited_is_refused(tmp_path: Path) -> None:
    text = bench().text
    path = tmp_path / "loopless.toml"
    rest = 'sequence = [{ do = "hold", time = "1 s" }]\n'
    path.write_text(rest + text[: text.index("[[loop]]")], "utf-8")
    with pytest.raises(BenchError, match="nothing can be excited"):
        find_experiment(read_scenario(path), ("line.load.inertia",), kinds=("steps",))


def test_machines_that_run_up_by_themselves_are_waited_for() -> None:
    scenario = read_scenario("two-inverters")
    best = find_experiment(scenario, ("line.load.inertia",), kinds=("steps",), length=0.5).plan.best
    assert best.stage.steps[0] == {"do": "hold", "time": "1.6 s"} and best.time is not None
    speed = best.columns["drive_speed"][
        np.searchsorted(best.time, [best.stage.start, best.stage.start + 0.5])
    ]
    assert speed.max() < 1.1 * speed.min()
