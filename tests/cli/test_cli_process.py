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


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize(
    ("arguments", "code"), [(["modes", "none"], 2), (["modes", "--bogus"], 2), (["scenarios"], 0)]
)
def test_messages_that_cannot_be_printed_keep_the_exit_code(
    tmp_path: Path, arguments: list[str], code: int
) -> None:
    command = (
        'import os, sys; os.dup2(os.open("/dev/full", os.O_WRONLY), 2); from shaftloop.cli.main import main'
    )
    result = python("-c", f"{command}; sys.argv[1:] = {arguments}; main()", folder=tmp_path)
    assert result.returncode == code


@pytest.mark.skipif(os.name != "posix", reason="needs a shell")
def test_closed_streams_are_no_error_and_no_file_takes_their_place(tmp_path: Path) -> None:
    code = "from shaftloop.cli.main import main; main()"
    shell = f"exec {sys.executable} -c '{code}' scenarios <&- >&- 2>&-"
    path = os.pathsep.join([*ROOTS, os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        ["sh", "-c", shell], cwd=tmp_path, env={**os.environ, "PYTHONPATH": path}, check=False
    )
    assert done.returncode == 0


def test_json_is_utf8_whatever_the_locale(tmp_path: Path) -> None:
    code = "from shaftloop.cli.options import hand_out; hand_out('\\u03a9\\n')"
    path = os.pathsep.join([*ROOTS, os.environ.get("PYTHONPATH", "")])
    env = {**os.environ, "PYTHONPATH": path, "PYTHONIOENCODING": "latin-1"}
    done = subprocess.run([sys.executable, "-c", code], env=env, stdout=subprocess.PIPE, check=False)
    assert (done.returncode, done.stdout) == (0, "Ω\n".encode())
