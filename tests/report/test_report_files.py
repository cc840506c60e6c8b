"""Files are complete or not there, and what cannot be written is named."""

import os
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.backends.backend_agg import FigureCanvasAgg

from shaftloop.answers.run import RunAnswer
from shaftloop.cli.main import cli
from shaftloop.report.files import OutputError, make_folder, open_atomically, together, write_text
from shaftloop.report.run.traces import check_traces, write_traces


def test_a_file_takes_its_name_once_it_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_text(path, "old")
    with pytest.raises(RuntimeError, match="half way"), open_atomically(path) as file:
        file.write(b"new")
        raise RuntimeError("half way")
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_a_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(
        OutputError, match="cannot be written: No such file or directory; choose another place"
    ):
        write_text(tmp_path / "nowhere" / "a.txt", "x")
    (tmp_path / "folder").mkdir()
    with pytest.raises(OutputError, match="cannot be written: Is a directory"):
        write_text(tmp_path / "folder", "x")
    assert os.listdir(tmp_path) == ["folder"]
    assert OutputError.exit_code == 2


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path) -> None:
    with (
        pytest.raises(OutputError, match="cannot be written: No space left on device"),
        open_atomically(tmp_path / "a.txt"),
    ):
        raise OSError(28, "No space left on device")
    assert os.listdir(tmp_path) == []


def test_files_of_one_command_take_their_names_together(tmp_path: Path) -> None:
    write_text(tmp_path / "a.txt", "old")
    with together():
        write_text(tmp_path / "a.txt", "new")
        write_text(tmp_path / "b.txt", "new")
        assert (tmp_path / "a.txt").read_text() == "old" and not (tmp_path / "b.txt").exists()
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"a.txt": "new", "b.txt": "new"}


def test_a_full_disk_leaves_what_was_there(tmp_path: Path) -> None:
    write_text(tmp_path / "a.txt", "old")
    with pytest.raises(OutputError, match="No space left"), together():
        write_text(tmp_path / "a.txt", "new")
        with open_atomically(tmp_path / "b.txt"):
            raise OSError(28, "No space left on device")
    assert os.listdir(tmp_path) == ["a.txt"] and (tmp_path / "a.txt").read_text() == "old"


def test_a_name_that_is_taken_at_the_last_moment_says_what_is_there(tmp_path: Path) -> None:
    with pytest.raises(
        OutputError, match=r"b\.txt: cannot be written: Is a directory.*; written before it: a\.txt"
    ):
        with together():
            for name in ("a.txt", "b.txt", "c.txt"):
                write_text(tmp_path / name, "new")
            (tmp_path / "b.txt").mkdir()
    assert sorted(os.listdir(tmp_path)) == ["a.txt", "b.txt"]


@pytest.mark.compiled
def test_a_command_whose_last_picture_does_not_fit_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: FigureCanvasAgg, file: BinaryIO, **about: Any) -> None:
        file.write(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(FigureCanvasAgg, "print_png", full)
    command = ["modes", "reference-bench", "--pictures", "svg,png", "--out", str(tmp_path / "out")]
    result = CliRunner().invoke(cli, command)
    assert result.exit_code == 2 and "No space left on device; choose another place" in result.stderr
    assert os.listdir(tmp_path / "out") == []


def test_folders_are_made_and_tried(tmp_path: Path) -> None:
    make_folder(tmp_path / "a" / "b")
    assert os.listdir(tmp_path / "a" / "b") == []
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="file: cannot be written: File exists"):
        make_folder(tmp_path / "file")
    with pytest.raises(OutputError, match="Not a directory"):
        make_folder(tmp_path / "file" / "below")


def test_npz_holds_every_channel_with_its_unit(results: RunAnswer, tmp_path: Path) -> None:
    write_traces(tmp_path / "t.npz", results.simulation)
    with np.load(tmp_path / "t.npz") as file:
        units = dict(file["units"])
        assert set(file.files) == {"time", "units", *results.simulation.traces}
        assert units["time"] == "s" and units["true_torque"] == "N m"
        assert np.array_equal(file["reading"], results.simulation.traces["reading"])


def test_csv_reads_back_to_the_same_numbers(results: RunAnswer, tmp_path: Path) -> None:
    write_traces(tmp_path / "t.csv", results.simulation)
    header, *rows = (tmp_path / "t.csv").read_text(encoding="utf-8").splitlines()
    names = header.split(",")
    assert names[0] == "time [s]" and "drive_speed [rad/s]" in names
    table = np.array([[float(cell) for cell in row.split(",")] for row in rows])
    assert np.array_equal(table[:, 0], results.simulation.time)
    assert np.array_equal(table[:, names.index("reading [N m]")], results.simulation.traces["reading"])


def test_parquet(results: RunAnswer, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    write_traces(tmp_path / "t.parquet", results.simulation)
    table = parquet.read_table(tmp_path / "t.parquet")
    assert table.column_names[0] == "time [s]"
    assert np.array_equal(table["true_torque [N m]"].to_numpy(), results.simulation.traces["true_torque"])


def test_traces_are_checked_before_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    check_traces(tmp_path / "t.csv")
    with pytest.raises(
        OutputError, match=r"t\.xls: unknown ending; traces are written as \.npz, \.csv, \.parquet"
    ):
        check_traces(tmp_path / "t.xls")
    (tmp_path / "d.csv").mkdir()
    with pytest.raises(OutputError, match=r"d\.csv: is a folder; name a file"):
        check_traces(tmp_path / "d.csv")
    with pytest.raises(OutputError, match="cannot be written"):
        check_traces(tmp_path / "nowhere" / "t.csv")
    monkeypatch.setattr("shaftloop.report.files.find_spec", lambda name: None)
    with pytest.raises(OutputError, match=r"Parquet needs the package pyarrow, .*shaftloop\[parquet\]"):
        check_traces(tmp_path / "t.parquet")


def test_a_file_that_is_there_keeps_its_permissions_and_links_to_it(tmp_path: Path) -> None:
    path, link = tmp_path / "mine.toml", tmp_path / "link.toml"
    path.write_text("old", encoding="utf-8")
    path.chmod(0o640)
    link.symlink_to(path.name)
    write_text(link, "new")
    assert link.is_symlink() and path.read_text(encoding="utf-8") == "new"
    assert path.stat().st_mode & 0o777 == 0o640
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["link.toml", "mine.toml"]
