"""Studies: designs, execution, resuming, answers; with figures that are closed forms of the gains."""

import math
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pytest

from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.scenario.description import Description
from shaftloop.studies.responses import SOURCES, Response, Source
from shaftloop.studies.whatif import execute
from shaftloop.studies.whatif.answers import answer, main_effects, pareto_front
from shaftloop.studies.whatif.designs import Plan
from shaftloop.studies.whatif.evaluate import Batch, Row, Work
from shaftloop.studies.whatif.reading import Study, read_study
from shaftloop.studies.whatif.sensitivity import sensitivity, sobol_indices
from shaftloop.studies.whatif.store import StoreError, open_store
from shaftloop.studies.whatif.table import Table, read_table
from shaftloop.studies.whatif.yields import tolerance_yield

GRID = """
scenario = "reference-bench"
[[factor]]
path = "loop.torque.kp"
values = [0.1, 0.2, 0.3]
[[factor]]
path = "loop.torque.ki"
low = "100 1/s"
high = "400 1/s"
count = 4
[design]
kind = "grid"
[[constraint]]
metric = "margins.torque.ms"
at_most = 1.25
[[objective]]
metric = "margins.torque.ms"
[[objective]]
metric = "margins.torque.rejection"
goal = "maximise"
"""
UNIFORM = "".join(
    f'[[factor]]\npath = "{path}"\ndistribution = "uniform"\nlow = {low}\nhigh = {high}\n'
    for path, low, high in (
        ("loop.torque.kp", 0.1, 0.3),
        ("loop.torque.ki", '"100 1/s"', '"200 1/s"'),
        ("loop.torque.feedforward", 0.0, 1.0),
    )
)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let margins be closed forms: Ms = 1 + kp, rejection = ki in Hz, noise gain Ishigami's function."""

    def margins(description: Description, _: Sequence[str]) -> dict[str, Response]:
        loop = next(loop for loop in description.loop if loop.name == "torque")
        kp, ki, direct = loop.kp.value, loop.ki.value, loop.feedforward
        if kp > 5.0:
            raise SimulationError("the bench is unstable", "lower the gain")
        x, y, z = (math.pi * (2.0 * share - 1.0) for share in ((kp - 0.1) / 0.2, ki / 100.0 - 1.0, direct))
        ishigami = math.sin(x) + 7.0 * math.sin(y) ** 2 + 0.1 * z**4 * math.sin(x)
        return {
            "torque.ms": Response(1.0 + kp, "1"),
            "torque.rejection": Response(ki, "Hz"),
            "torque.noise_gain": Response(ishigami, "1"),
        }

    real = SOURCES["margins"]
    monkeypatch.setitem(SOURCES, "margins", Source(real.known, margins))


def study_of(folder: Path, text: str = GRID) -> Study:
    path = folder / "s.toml"
    path.write_text(text, encoding="utf-8")
    # Expectations of the scenario would ask for real runs.
    return read_study(path, ["expect=[]"])


def table_of(study: Study, path: Path | None = None) -> Table:
    with open_store(path, study, Plan(study.axes, study.design)) as store:
        execute.execute(store, execute.run_here)
        return read_table(store)


def test_grid_ranking_and_front(tmp_path: Path) -> None:
    study = study_of(tmp_path)
    table = table_of(study)
    assert table.factors["loop.torque.kp"].values.tolist() == [0.1] * 4 + [0.2] * 4 + [0.3] * 4
    assert table.factors["loop.torque.ki"].values.tolist() == [100.0, 200.0, 300.0, 400.0] * 3
    found = answer(study, table, 3)
    assert found.kept == (8,) and found.passed.sum() == 8
    # Ms rises with kp alone, rejection with ki alone: one candidate is best in both.
    assert found.front.tolist() == [3]
    assert found.ranked.tolist()[0] == 3
    effects = {(e.figure, e.factor): e for e in main_effects(table)}
    strong = effects["margins.torque.ms", "loop.torque.kp"]
    assert strong.span == pytest.approx(0.2) and strong.share == pytest.approx(1.0)
    assert effects["margins.torque.ms", "loop.torque.ki"].span == pytest.approx(0.0, abs=1e-12)


def test_front_of_known_points() -> None:
    costs = np.array([[1.0, 4.0], [2.0, 2.0], [3.0, 3.0], [4.0, 1.0], [2.0, 2.0]])
    assert pareto_front(costs).tolist() == [0, 1, 4, 3]


def test_one_at_a_time_moves_each_factor_alone(tmp_path: Path) -> None:
    study = study_of(tmp_path, GRID.replace('kind = "grid"', 'kind = "one_at_a_time"'))
    values = [c.values for c in Plan(study.axes, study.design).candidates(range(8))]
    assert values[0] == (None, None) and values[1:4] == [(0.1, None), (0.2, None), (0.3, None)]
    assert [value[1] for value in values[4:]] == [100.0, 200.0, 300.0, 400.0]


@pytest.mark.parametrize("kind", ["latin_hypercube", "sobol", "monte_carlo"])
def test_drawn_designs_fill_the_range_and_depend_on_the_number_alone(tmp_path: Path, kind: str) -> None:
    text = f'scenario = "reference-bench"\n{UNIFORM}[design]\nkind = "{kind}"\ncount = 64\nseed = 4\n'
    study = study_of(tmp_path, text + '[[response]]\nmetric = "margins.torque.ms"\n')
    plan = Plan(study.axes, study.design)
    rows = np.array([c.values for c in plan.candidates(range(64))], dtype=np.float64)
    assert rows[:, 0].min() >= 0.1 and rows[:, 0].max() <= 0.3
    assert np.mean(rows[:, 1]) == pytest.approx(150.0, abs=12.0)
    again = Plan(study.axes, study.design)
    assert [again.candidates([n])[0].values for n in (63, 5)] == [tuple(rows[63]), tuple(rows[5])]


def test_indices_of_ishigami() -> None:
    """a = 7, b = 0.1: first order 0.3139, 0.4424, 0; total 0.5576, 0.4424, 0.2437.

    T. Ishigami, T. Homma, ISUMA 1990; the indices follow from their closed form, from memory.
    """
    from scipy.stats import qmc

    points = qmc.Sobol(6, seed=np.random.default_rng(1)).random(4096)
    a, b = math.pi * (2.0 * points[:, :3] - 1.0), math.pi * (2.0 * points[:, 3:] - 1.0)

    def figure(x: np.ndarray) -> np.ndarray:
        return np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])

    columns = [figure(a), figure(b)]
    for i in range(3):
        mixed = a.copy()
        mixed[:, i] = b[:, i]
        columns.append(figure(mixed))
    found = {
        e.factor: e for e in sobol_indices("f", np.column_stack(columns).ravel(), ("x", "y", "z"), 0).indices
    }
    for name, first, total in (("x", 0.3139, 0.5576), ("y", 0.4424, 0.4424), ("z", 0.0, 0.2437)):
        assert found[name].first == pytest.approx(first, abs=0.02)
        assert found[name].total == pytest.approx(total, abs=0.02)
        assert found[name].total_interval[0] < total < found[name].total_interval[1]


def test_indices_of_a_whole_study(tmp_path: Path) -> None:
    text = f'scenario = "reference-bench"\n{UNIFORM}[design]\nkind = "saltelli"\ncount = 128\n'
    study = study_of(tmp_path, text + '[[response]]\nmetric = "margins.torque.noise_gain"\n')
    (found,) = sensitivity(table_of(study), 0)
    interval = {index.factor: index.total_interval for index in found.indices}
    for path, true in (("kp", 0.5576), ("ki", 0.4424), ("feedforward", 0.2437)):
        low, high = interval[f"loop.torque.{path}"]
        assert low < true < high


def test_yield_of_a_closed_form(tmp_path: Path) -> None:
    """Ms = 1 + kp, kp normal with mean 0.2 and deviation 0.02: 84.1 % lie below 1.22."""
    text = GRID.replace("values = [0.1, 0.2, 0.3]", 'distribution = "normal"\nnominal = 0.2\nspread = 0.02')
    text = text.replace('kind = "grid"', 'kind = "monte_carlo"\ncount = 400').replace("1.25", "1.22")
    text = text.replace("count = 4\n", 'distribution = "uniform"\n', 1)
    study = study_of(tmp_path, text)
    passed = int(answer(study, table_of(study), 1).passed.sum())
    found = tolerance_yield(passed, 400)
    assert found.low < 0.8413 < found.high
    assert tolerance_yield(8, 10).low == pytest.approx(0.44390, abs=1e-5)
    assert tolerance_yield(8, 10).high == pytest.approx(0.97479, abs=1e-5)


def test_what_is_there_is_not_done_again(tmp_path: Path) -> None:
    study, path, seen = study_of(tmp_path), tmp_path / "r.sqlite", []

    def stopping(work: Work, batches: Iterable[Batch]):
        for i, rows in enumerate(execute.run_here(work, batches)):
            if i == 5:
                raise KeyboardInterrupt
            yield rows

    def noted(work: Work, batches: Iterable[Batch]):
        for rows in execute.run_here(work, batches):
            seen.extend(row.number for row in rows)
            yield rows

    plan = Plan(study.axes, study.design)
    with open_store(path, study, plan) as store, pytest.raises(KeyboardInterrupt):
        execute.execute(store, stopping)
    with open_store(path, study, plan) as store:
        assert store.done == 5
        execute.execute(store, noted)
        entries = list(store.entries())
    assert sorted(seen) == list(range(5, 12))
    with open_store(None, study, plan) as store:
        execute.execute(store, execute.run_here)
        assert list(store.entries()) == entries


def test_a_candidate_that_fails_is_a_row_with_its_reason(tmp_path: Path) -> None:
    study = study_of(tmp_path, GRID.replace("[0.1, 0.2, 0.3]", "[0.1, 6.0, -1.0]"))
    with open_store(None, study, Plan(study.axes, study.design)) as store:
        execute.execute(store, execute.run_here)
        status = [entry[1] for entry in store.entries()]
        reasons = {entry[0]: entry[1] for entry in store.reasons(5)}
    assert status == ["done"] * 4 + ["failed"] * 4 + ["refused"] * 4
    assert "unstable" in reasons["failed"] and "kp" in reasons["refused"]


def test_rows_of_another_study_are_not_taken(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    table_of(study_of(tmp_path), path)
    other = study_of(tmp_path, GRID.replace("0.3]", "0.4]"))
    with pytest.raises(
        ScenarioError, match=r"holds results of another study or version; changed: factor loop"
    ):
        open_store(path, other, Plan(other.axes, other.design))
    with open_store(path, other, Plan(other.axes, other.design), fresh=True) as store:
        assert store.done == 0


def test_places_that_hold_no_results(tmp_path: Path) -> None:
    study = study_of(tmp_path)
    plan = Plan(study.axes, study.design)
    (tmp_path / "text").write_text("no results " * 200, encoding="utf-8")
    with pytest.raises(StoreError, match="is no file of results"):
        open_store(tmp_path / "text", study, plan)
    with pytest.raises(StoreError, match="cannot be written"):
        open_store(tmp_path / "none" / "r.sqlite", study, plan)
    with sqlite3.connect(tmp_path / "other") as other:
        other.execute("CREATE TABLE t (a)")
    with pytest.raises(StoreError, match="holds no study"):
        open_store(tmp_path / "other", study, plan)


def test_two_runs_at_one_study_are_told_apart(tmp_path: Path) -> None:
    study, path = study_of(tmp_path), tmp_path / "r.sqlite"
    plan = Plan(study.axes, study.design)
    with open_store(path, study, plan), pytest.raises(StoreError, match="another run is at this study"):
        open_store(path, study, plan)


BAD = [
    ('path = "loop.torque.kp"', 'path = "loop.torqe.kp"', "nearest: torque"),
    ("values = [0.1, 0.2, 0.3]", "values = []", "the list is empty, so the design has no candidate"),
    ("values = [0.1, 0.2, 0.3]", "values = [0.1, 0.1]", "a value stands there twice"),
    ("values = [0.1, 0.2, 0.3]", "", "does not say how it varies"),
    ('kind = "grid"', 'kind = "sobol"', "missing; the design would be empty"),
    ('kind = "grid"', 'kind = "grid"\ncount = 3', "follows from the factors; leave it out"),
    (
        'metric = "margins.torque.ms"\nat_most',
        'metric = "margins.torque.m"\nat_most',
        "nearest: margins.torque.mt",
    ),
    ("at_most = 1.25", "", "no bound; state at_most or at_least"),
    ('path = "loop.torque.ki"', 'path = "loop.torque.kp"', "varies in factor 0 already"),
    ('high = "400 1/s"', "", "missing; write e.g. high ="),
    ('low = "100 1/s"', 'low = "100 Hz m"', "factor.1: the unit 1/s does not fit; expected Hz m"),
    ('scenario = "reference-bench"', 'scenario = "reference-bnch"', "nearest: reference-bench"),
    ("[design]", "[desgn]", "desgn"),
]


@pytest.mark.parametrize(("old", "new", "says"), BAD)
def test_bad_studies_are_refused_with_a_reason(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in GRID
    with pytest.raises(ScenarioError) as caught:
        study_of(tmp_path, GRID.replace(old, new, 1))
    assert says in str(caught.value)


def test_an_unknown_study_names_the_shipped_ones() -> None:
    with pytest.raises(ScenarioError, match="nearest: hub-gains"):
        read_study("hub-gain")


@pytest.mark.compiled
def test_killed_at_any_point_and_resumed_gives_the_same_table(tmp_path: Path) -> None:
    """SIGKILL after some rows, three times; then the rest. Real figures, two processes."""
    text = GRID[: GRID.index("[[constraint]]")] + '[[response]]\nmetric = "modes.1.frequency"\n'
    study = tmp_path / "k.toml"
    study.write_text(text, encoding="utf-8")

    def run(out: str, workers: str, kill_at: int | None) -> None:
        folder = tmp_path / out
        arguments = [str(study), "--set", "expect=[]", "--out", str(folder), "--workers", workers]
        command = [sys.executable, "-m", "shaftloop.cli", "study", *arguments]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        log = folder / "results.sqlite-wal"
        # The log grows by pages of 4 KiB with every batch; it is gone once the run has ended.
        while kill_at is not None and process.poll() is None:
            if log.exists() and log.stat().st_size > kill_at * 4096:
                process.kill()
            time.sleep(0.002)
        assert process.wait() in (0, -signal.SIGKILL)

    for kill_at in (1, 8, 20):
        run("killed", "2", kill_at)
    run("killed", "2", None)
    run("whole", "1", None)
    tables = [(tmp_path / out / "candidates.csv").read_text(encoding="utf-8") for out in ("killed", "whole")]
    assert tables[0] == tables[1]
    assert len(tables[0].splitlines()) == 13


def test_a_row_that_is_there_stays(tmp_path: Path) -> None:
    study = study_of(tmp_path)
    with open_store(None, study, Plan(study.axes, study.design)) as store:
        store.add([Row(2, "failed", "first")])
        store.add([Row(2, "failed", "second"), Row(3, "failed", "third")])
        assert [(entry[0], entry[2]) for entry in store.entries()] == [(2, "first"), (3, "third")]
