"""Where the work is done changes nothing: processes, killed ones, a cluster. A bad candidate is a row."""

import json
import multiprocessing
import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from whatif import FIGURE, PSI, STIFFNESS, design, entries, read

from checkbench import figure
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.figures import Figure
from shaftloop.kernels.store import KernelWarning
from shaftloop.scenario import reading
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies import responses
from shaftloop.studies.responses import ResponseSource, evaluate
from shaftloop.studies.whatif import evaluate as module
from shaftloop.studies.whatif import processes
from shaftloop.studies.whatif.cluster import Cluster
from shaftloop.studies.whatif.evaluate import Batch, Row, Work, evaluate_batch
from shaftloop.studies.whatif.execute import execute, run_here, work_of
from shaftloop.studies.whatif.processes import Processes
from shaftloop.studies.whatif.reading import read_study
from shaftloop.studies.whatif.store import Entry, open_store

BLOCKS = (STIFFNESS, PSI, FIGURE, design("grid"))


@pytest.fixture(autouse=True)
def small_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shaftloop.studies.whatif.execute._BATCHES", 6)
    monkeypatch.setattr(module, "_SPAN", float("inf"))


def run(folder: Path, runner: Any, progress: Any = None) -> list[Entry]:
    study, plan = read(folder, *BLOCKS)
    with open_store(None, study, plan) as store:
        execute(store, runner, progress)
        return list(store.entries())


@pytest.mark.compiled
def test_rows_are_those_of_single_runs_whatever_the_processes_and_the_lanes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    figures = "".join(
        f'[[response]]\nmetric = "{name}"\n'
        for name in ("simulate.peak_true_torque", "simulate.loss_energy", "margins.torque.ms")
    )
    gain = '[[factor]]\npath = "loop.torque.kp"\nlow = 0.02\nhigh = 0.1\ncount = 8\n'
    blocks = (STIFFNESS.replace("count = 4", "count = 2"), gain, figures, design("grid"))
    study, plan = read(tmp_path, *blocks)
    expected = []
    for candidate in plan.candidates(range(plan.total)):
        single = read_scenario("reference-bench", (*study.settings, *candidate.settings(study.axes)))
        found = evaluate(single.description, list(study.figures))
        expected.append(tuple(response.value for response in found.values()))
    for worth, runner, shared in (
        (8, run_here, (16, 0)),
        (8, Processes(2), (16, 0)),
        (8, Processes(1), (16, 0)),
        (9, Processes(2), (0, 16)),
    ):
        monkeypatch.setattr("shaftloop.studies.whatif.execute._WORTH", worth)
        monkeypatch.setattr("shaftloop.studies.whatif.execute._BATCHES", 16)
        with open_store(None, study, plan) as store:
            execute(store, runner)
            assert [entry[4] for entry in store.entries()] == expected
            assert store.shared == shared


def test_candidates_that_may_share_lanes_are_kept_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gains = '[[factor]]\npath = "loop.torque.ki"\nlow = "10 1/s"\nhigh = "100 1/s"\ncount = {}\n'
    run_figure = '[[response]]\nmetric = "simulate.trips"\n'

    def sizes(figure: str, count: int) -> list[int]:
        batches: list[Batch] = []

        def runner(_: Work, given: Any) -> Any:
            batches.extend(given)
            yield from ()

        study, plan = read(tmp_path, gains.format(count), STIFFNESS, figure, design("grid"))
        with open_store(None, study, plan) as store:
            execute(store, runner)
        if figure == run_figure:
            for batch in batches:
                assert len({setting for _, settings in batch.candidates for setting in settings[1:]}) == 1
        assert sorted(number for batch in batches for number in batch.left) == list(range(4 * count))
        return sorted({len(batch.left) for batch in batches})

    monkeypatch.setattr("shaftloop.studies.whatif.execute._BATCHES", 8)
    assert sizes(run_figure, 10) == [10] and sizes(run_figure, 40) == [20]
    assert sizes(FIGURE, 10) == [5] and sizes(FIGURE, 40) == [20] and sizes(FIGURE, 1000) == [64, 65]


@pytest.mark.compiled
def test_slow_figures_are_handed_over_one_by_one_and_lanes_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gain = '[[factor]]\npath = "loop.torque.kp"\nlow = 0.02\nhigh = 0.1\ncount = 8\n'
    wanted = '[[response]]\nmetric = "simulate.peak_true_torque"\n'
    blocks = (STIFFNESS.replace("count = 4", "count = 2"), gain, wanted, FIGURE, design("grid"))
    good = entries(tmp_path, *blocks)
    monkeypatch.setattr(module, "_SPAN", 0.0)
    monkeypatch.setattr(module, "_WORTH", 0.0)
    study, plan = read(tmp_path, *blocks)
    done: list[float] = []

    def stop(share: float) -> None:
        done.append(share)
        if len(done) == 3:
            raise KeyboardInterrupt

    with open_store(tmp_path / "r.sqlite", study, plan) as store, pytest.raises(KeyboardInterrupt):
        execute(store, run_here, stop)
    with open_store(tmp_path / "r.sqlite", study, plan) as store:
        assert store.done == 3
        evaluated: list[int] = []
        evaluate_one = module._evaluate

        def counting(work: Work, bench: Any, outcome: Any) -> Row:
            evaluated.append(bench.number)
            return evaluate_one(work, bench, outcome)

        monkeypatch.setattr(module, "_evaluate", counting)
        execute(store, run_here, done.append)
        # What was there is not evaluated again, and the rest runs in the lanes of an unbroken study.
        assert sorted(evaluated) == list(range(3, 16)) and len(done) == 16
        assert list(store.entries()) == good and store.shared == (16, 0)


def test_the_first_rows_of_a_process_do_not_wait_for_the_batch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_SPAN", 0.0)
    monkeypatch.setattr(module, "_WORTH", float("inf"))
    study, plan = read(tmp_path, *BLOCKS)
    batch = Batch(tuple((c.number, c.settings(plan.axes)) for c in plan.candidates(range(4))))
    module._variants.cache_clear()
    first = evaluate_batch(work_of(study), batch)
    rest = evaluate_batch(work_of(study), batch.without(first))
    assert [[row.number for row in rows] for rows in (first, rest)] == [[0], [1, 2, 3]]


def test_batches_that_take_long_are_small(tmp_path: Path) -> None:
    def largest(setting: str, *blocks: str) -> int:
        study, plan = read(tmp_path, *blocks, design("monte_carlo", 480))
        path = tmp_path / "s.toml"
        path.write_text(path.read_text().replace("duration=20 ms", setting))
        study = read_study(path)
        with open_store(None, study, plan) as store:
            batches: list[Batch] = []

            def runner(_: Work, given: Any) -> Any:
                batches.extend(given)
                yield from ()

            execute(store, runner)
        return max(len(batch.left) for batch in batches)

    drawn = '[[factor]]\npath = "line.c1.stiffness"\ndistribution = "normal"\nspread = "5 %"\n'
    run_figure = '[[response]]\nmetric = "simulate.trips"\n'
    tune = '[tune]\nloops = ["torque"]\n'
    assert largest("duration=20 ms", drawn, run_figure) == 16
    assert largest("duration=4 s", drawn, run_figure) == 4
    assert largest("duration=40 s", drawn, run_figure) == 1
    assert largest("duration=20 ms", drawn, run_figure, tune) == 1


@pytest.mark.compiled
def test_a_fault_in_the_lanes_leaves_candidates_to_run_singly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: object) -> Any:
        raise ValueError("a fault")
        yield

    wanted = '[[response]]\nmetric = "simulate.peak_true_torque"\n'
    blocks = (STIFFNESS.replace("count = 4", "count = 2"), wanted, design("grid"))
    good = entries(tmp_path, *blocks)
    monkeypatch.setattr(module, "simulate_many", fail)
    assert entries(tmp_path, *blocks) == good and good[0][1] == "done"


def test_a_process_that_is_killed_loses_no_candidate(tmp_path: Path) -> None:
    killed: list[int] = []

    def kill(_: float) -> None:
        if not killed:
            victim = multiprocessing.active_children()[0].pid
            assert victim is not None
            killed.append(victim)
            os.kill(victim, signal.SIGKILL)

    assert run(tmp_path, Processes(2), kill) == entries(tmp_path, *BLOCKS)
    assert len(killed) == 1


def deadly(work: Work, batch: Batch) -> list[Row]:
    """Stands in for a candidate that takes all memory: its process is gone."""
    if 5 in batch.left:
        os._exit(9)
    return evaluate_batch(work, batch)


def test_a_candidate_that_ends_its_process_is_a_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processes, "evaluate_batch", deadly)
    found, good = run(tmp_path, Processes(2)), entries(tmp_path, *BLOCKS)
    assert [entry for entry in found if entry[0] != 5] == [entry for entry in good if entry[0] != 5]
    number, status, reason, *_ = found[5]
    assert (number, status) == (5, "lost") and reason.startswith("its process ended without an answer, twice")


def test_processes_end_at_once_where_the_loop_does(tmp_path: Path) -> None:
    def stop(_: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(tmp_path, Processes(2), stop)
    assert multiprocessing.active_children() == []


def test_processes_say_once_that_kernels_are_compiled_and_all_else_each_time(
    capsys: pytest.CaptureFixture[str],
) -> None:
    unsaid = multiprocessing.get_context("spawn").Lock()
    for _ in range(2):
        processes._say_once(unsaid, KernelWarning("compiled"), KernelWarning)
        processes._say_once(unsaid, UserWarning("other"), UserWarning)
    assert capsys.readouterr().err == "warning: compiled\nwarning: other\nwarning: other\n"


def test_an_error_of_the_study_itself_comes_through(tmp_path: Path) -> None:
    work = work_of(read(tmp_path, *BLOCKS)[0])
    changed = Work(work.scenario, "0", work.settings, work.beside, None, work.figures)
    for runner in (run_here, Processes(1)):
        with pytest.raises(SimulationError, match="not the scenario with which the study was begun"):
            list(runner(changed, [Batch(((0, ()),))]))


def test_a_bad_candidate_is_a_row_with_its_reason(tmp_path: Path) -> None:
    bad = '[[factor]]\npath = "line.c1.damping"\nvalues = ["1 N m s/rad", "-1 N m s/rad", "2000 N m s/rad"]\n'
    third = FIGURE.replace("1", "3")
    good, refused, missing = entries(tmp_path, bad, third, design("grid"))
    assert good[1] == "done" and good[4][0] > 0.0 and good[5] == {}
    assert refused[1] == "refused" and refused[4] == (None,) and "-1 N m s/rad" in refused[2]
    assert missing[1] == "done" and missing[4] == (None,)
    assert missing[5] == {"modes.3.frequency": "only 2 modes of the line oscillate"}


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (SimulationError("it diverged", "lower kp"), "it diverged; lower kp"),
        (ZeroDivisionError("by zero"), "internal error: ZeroDivisionError: by zero"),
        (ValueError("x" * 400), "internal error: ValueError: " + "x" * 269 + "..."),
    ],
)
def test_whatever_an_analysis_raises_is_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, reason: str
) -> None:
    def fail(*_: object) -> dict[str, Figure]:
        raise error

    source = ResponseSource(responses.SOURCES["modes"].known, fail)
    monkeypatch.setitem(responses.SOURCES, "modes", source)
    found = entries(tmp_path, *BLOCKS)
    assert {entry[1:3] for entry in found} == {("failed", reason)}


def test_an_error_outside_the_sources_is_a_row_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise ScenarioError(["no such response"])

    monkeypatch.setattr(module, "evaluate", fail)
    assert entries(tmp_path, *BLOCKS)[0][1:3] == ("failed", "no such response")


def test_what_lies_beyond_every_bound_is_infinite(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def find(_: object, names: Sequence[str]) -> dict[str, Figure]:
        return {name: figure(None, "Hz", "never", beyond="above") for name in names}

    monkeypatch.setitem(
        responses.SOURCES, "modes", ResponseSource(lambda _: {"1.frequency": Figure("", "Hz", "")}, find)
    )
    entry = entries(tmp_path, *BLOCKS)[0]
    assert entry[4] == (float("inf"),) and entry[5] == {"modes.1.frequency": "never"}


def test_candidates_read_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read_files: list[Path] = []
    load = reading.load_toml

    def counting(path: Path, label: str) -> Any:
        read_files.append(path)
        return load(path, label)

    study, plan = read(tmp_path, *BLOCKS)
    batch = Batch(tuple((c.number, c.settings(plan.axes)) for c in plan.candidates(range(4))))
    monkeypatch.setattr(reading, "load_toml", counting)
    module._variants.cache_clear()
    rows = evaluate_batch(work_of(study), batch)
    module._variants.cache_clear()
    assert len(rows) == 4 and len(read_files) == len(set(read_files)) == 1


@pytest.fixture
def cluster() -> Any:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as found:
        yield found


def test_a_cluster_finds_the_same_though_a_worker_is_killed(tmp_path: Path, cluster: Any) -> None:
    killed: list[int] = []

    def kill(_: float) -> None:
        if not killed:
            killed.append(next(iter(cluster.workers.values())).process.process.pid)
            os.kill(killed[0], signal.SIGKILL)

    assert run(tmp_path, Cluster(cluster.scheduler_address), kill) == entries(tmp_path, *BLOCKS)
    assert len(killed) == 1


def test_a_scheduler_that_is_lost_leaves_what_is_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("shaftloop.studies.whatif.cluster._PATIENCE", 4)
    options = {"cwd": tmp_path, "stderr": subprocess.DEVNULL}
    place = tmp_path / "scheduler.json"
    dask = [sys.executable, "-m", "distributed.cli.dask_{}", "--no-dashboard", "--scheduler-file", str(place)]
    scheduler = subprocess.Popen(
        [part.format("scheduler") for part in dask] + ["--host", "127.0.0.1", "--port", "0"], **options
    )
    worker = subprocess.Popen([part.format("worker") for part in dask] + ["--no-nanny"], **options)
    study, plan = read(tmp_path, *BLOCKS)
    try:
        # The scheduler writes its file while it is looked at: it is whole at its closing brace.
        while not (place.is_file() and place.read_text().rstrip().endswith("}")):
            assert scheduler.poll() is None
        address = json.loads(place.read_text())["address"]

        def kill(_: float) -> None:
            scheduler.kill()
            scheduler.wait()

        with open_store(tmp_path / "r.sqlite", study, plan) as store:
            with pytest.raises(
                SimulationError, match=r"(?s)scheduler tcp://\S+ was lost .* the same command goes on"
            ):
                execute(store, Cluster(address), kill)
            assert 0 < store.done < 12
            execute(store, run_here)
            assert list(store.entries()) == entries(tmp_path, *BLOCKS)
    finally:
        for process in (scheduler, worker):
            process.kill()
            process.wait()


def test_a_cluster_that_is_not_there_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("shaftloop.studies.whatif.cluster._PATIENCE", 0.5)
    with pytest.raises(ScenarioError, match=r"`cluster` tcp://127.0.0.1:9: no Dask scheduler answers, or"):
        run(tmp_path, Cluster("tcp://127.0.0.1:9"))


def test_a_cluster_needs_its_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shaftloop.studies.whatif.cluster.find_spec", lambda _: None)
    with pytest.raises(ScenarioError, match=r'`cluster` needs distributed; install "shaftloop\[cluster\]"'):
        Cluster("tcp://127.0.0.1:9")
