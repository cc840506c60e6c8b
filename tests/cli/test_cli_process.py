"""The command as a process of its own: what it imports, pipes that close, and Ctrl-C."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOTS = [str(Path(__file__).parents[2] / name) for name in ("sim", "models")]
HEAVY = ("numpy", "numba", "matplotlib", "scipy", "simpy", "pint", "control", "pydantic", "rich", "tomlkit")


def python(*arguments: str, folder: Path, stdout: int = subprocess.PIPE) -> subprocess.CompletedProcess[str]:
    path = os.pathsep.join([*ROOTS, os.environ.get("PYTHONPATH", "")])
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": path},
        stdout=stdout,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        timeout=300,
    )


def test_help_imports_nothing_heavy(tmp_path: Path) -> None:
    code = f"import sys, shaftloop.cli.main; print([name for name in {HEAVY} if name in sys.modules])"
    assert python("-c", code, folder=tmp_path).stdout.strip() == "[]"
    shown = python("-m", "shaftloop.cli", "simulate", "--help", folder=tmp_path)
    assert shown.returncode == 0 and "--overlay-offset" in shown.stdout


def test_bad_input_of_a_process(tmp_path: Path) -> None:
    result = python("-m", "shaftloop.cli", "simulate", "no-such-bench", "--json", folder=tmp_path)
    assert (result.returncode, result.stdout) == (2, "")
    assert "no-such-bench" in result.stderr and "Traceback" not in result.stderr


def test_a_reader_that_closes_the_pipe_is_no_error(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        result = python("-m", "shaftloop.cli", "schema", folder=tmp_path, stdout=writing)
    finally:
        os.close(writing)
    assert (result.returncode, result.stderr) == (0, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_on_stdout_is_said(tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        result = python("-m", "shaftloop.cli", "schema", folder=tmp_path, stdout=full.fileno())
    assert result.returncode == 2
    assert result.stderr == "output: No space left on device; choose another place\n"
