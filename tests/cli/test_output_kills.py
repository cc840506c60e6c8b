"""A command that is killed inside a write of its outputs: nothing half-written, and the next start works."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from kills import TIMES, Stop, dying_files, killed
from randombench import random_bench
from shaftloop.answers import tuning
from shaftloop.cli.main import cli
from shaftloop.report import canvas, files
from shaftloop.report.run import traces
from shaftloop.report.study import table

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a copy of this process")

EXPECT = '\n[[expect]]\nmetric = "modes.1.frequency"\nat_least = "1 Hz"\n'
MODES = ("modes", "bench.toml", "--out", "o")
SIMULATE = ("simulate", "bench.toml", "--json", "--traces")
UPDATE = ("check", "bench.toml", "--update-baseline")
CASES = {
    "document": ("modes.json", MODES),
    "picture": ("modes.png", MODES),
    "traces": ("run.csv", (*SIMULATE, "run.csv")),
    "arrays": ("run.npz", (*SIMULATE, "run.npz")),
    "gains": ("bench.toml", ("tune", "bench.toml", "--loop", "speed", "--json", "--write")),
    "baseline": ("bench.baseline.toml", UPDATE),
    "report": ("junit.xml", ("check", "bench.toml", "--junit", "junit.xml")),
}


def run(arguments: tuple[str, ...]) -> int:
    result = CliRunner().invoke(cli, arguments)
    assert result.exit_code in (0, 1), result.output
    return result.exit_code


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("kind", CASES)
def test_ten_kills_inside_a_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    name, arguments = CASES[kind]
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text(random_bench(10, 0.01) + EXPECT)
    before = contents(tmp_path)
    if kind == "gains":
        _search_once(monkeypatch)
    drafts: list[set[str]] = []

    def look() -> None:
        found = contents(tmp_path)
        drafts.append({path for path in found if f".{name}." in path and path.endswith(".tmp")})
        assert {path: found[path] for path in found if not path.endswith(".tmp")} == before

    with monkeypatch.context() as patch:
        opening = dying_files(name, look)
        for module in (files, canvas, traces, table):
            patch.setattr(module, "open_atomically", opening)
        run(arguments)
    # Each copy sweeps what the one before left, so there is always one draft.
    assert [len(found) for found in drafts] == [1] * TIMES
    run(arguments)
    after = contents(tmp_path)
    assert not any(path.endswith(".tmp") for path in after)
    assert after != before


def _search_once(patch: pytest.MonkeyPatch) -> None:
    """Keep the answer of the first search: it is the write that is looked at."""
    find: Callable[..., tuning.TuneAnswer] = tuning.find_gains
    known: list[tuning.TuneAnswer] = []

    def finding(*arguments: object, **named: object) -> tuning.TuneAnswer:
        if not known:
            known.append(find(*arguments, **named))
        return known[0]

    patch.setattr(tuning, "find_gains", finding)
    run(("tune", "bench.toml", "--loop", "speed", "--json"))


def test_ten_kills_while_files_take_their_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each file is the old one or the new one."""

    def write(text: str) -> None:
        with files.together():
            for i in range(TIMES):
                files.write_text(tmp_path / f"{i}.txt", text)

    write("old")
    for number in range(TIMES):

        def work(stop: Stop, number: int = number) -> None:
            replace, done = os.replace, []

            def replacing(draft: Path, target: Path) -> None:
                if len(done) == number:
                    stop()
                replace(draft, target)
                done.append(target)

            monkeypatch.setattr(os, "replace", replacing)
            write("new")

        killed(work)
        found = [(tmp_path / f"{i}.txt").read_text() for i in range(TIMES)]
        assert found == ["new"] * number + ["old"] * (TIMES - number)
    files.check_folder(tmp_path)
    assert len(os.listdir(tmp_path)) == TIMES


def test_drafts_of_living_processes_and_of_other_computers_stay(tmp_path: Path) -> None:
    here = files._HERE
    others = [f".a.txt.{here}-{os.getppid()}.tmp", ".a.txt.00000000-1.tmp", ".a.txt.12.tmp"]
    for name in others:
        (tmp_path / name).write_text("x")
    files.write_text(tmp_path / "a.txt", "new")
    assert sorted(os.listdir(tmp_path)) == sorted([*others, "a.txt"])
