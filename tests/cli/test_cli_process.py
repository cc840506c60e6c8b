"""The command as a process of its own: what it imports, pipes that close, and Ctrl-C."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

ROOTS = [str(Path(__file__).parents[2] / name) for name in ("sim", "models")]
HEAVY = ("numpy", "numba", "matplotlib", "scipy", "simpy", "control", "rich", "tomlkit")


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


@pytest.mark.compiled
@pytest.mark.parametrize(
    "command", [["modes", "warm-rotor"], ["simulate", "saturated-drive", "--set", "duration=5 ms"]]
)
def test_with_kernels_on_disk_the_compiler_is_not_imported(tmp_path: Path, command: list[str]) -> None:
    """Machine code needs nothing of numba, nor do the equations that kernels call by their address."""
    code = (
        "import sys; from shaftloop.cli.main import cli; "
        f"cli({[*command, '--json']}, standalone_mode=False); "
        "print('numba' in sys.modules, file=sys.stderr)"
    )
    first, second = (python("-c", code, folder=tmp_path) for _ in range(2))
    assert second.stderr.splitlines()[-1] == "False"
    assert first.returncode == second.returncode == 0


def test_without_pictures_nothing_that_draws_is_imported(tmp_path: Path) -> None:
    code = (
        "import sys; from shaftloop.cli.main import cli; "
        "cli(['modes', 'reference-bench', '--pictures', 'none'], standalone_mode=False); "
        "print('matplotlib' in sys.modules)"
    )
    assert python("-c", code, folder=tmp_path).stdout.endswith("\nFalse\n")


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


IN_A_CALLBACK = """
import ctypes, os, sys, time
import shaftloop.cli.main as command

@ctypes.CFUNCTYPE(None)
def callback():
    os.kill(os.getpid(), int(sys.argv[1]))

def compiling(prog_name):
    callback()
    time.sleep(60)

command.cli = compiling
command.main()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals")
@pytest.mark.parametrize(("stop", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_stop_during_a_callback_of_a_library_is_not_lost(stop: signal.Signals, code: int) -> None:
    done = subprocess.run(
        [sys.executable, "-c", IN_A_CALLBACK, str(int(stop))], capture_output=True, text=True, timeout=50
    )
    assert done.returncode == code and "Traceback" not in done.stderr


STUDY = """\
scenario = "reference-bench"
expectations = false
design = { kind = "monte_carlo", count = 100000 }
factor = [{ path = "line.c1.stiffness", distribution = "normal", spread = "5 %" }]
response = [{ metric = "modes.1.frequency" }]
"""
PLANTED = """\
import pathlib
pathlib.Path(__file__).with_name("ran").write_text(__name__)
raise SystemExit("planted")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals")
@pytest.mark.parametrize(
    ("stop", "code", "word"), [(signal.SIGINT, 130, "interrupted"), (signal.SIGTERM, 143, "terminated")]
)
def test_a_study_that_is_stopped_says_so_and_runs_nothing_of_its_folder(
    tmp_path: Path, stop: signal.Signals, code: int, word: str
) -> None:
    (tmp_path / "s.toml").write_text(STUDY)
    for module in ("numpy", "signal", "tempfile", "encodings", "shaftloop"):
        (tmp_path / f"{module}.py").write_text(PLANTED)
    script = tmp_path / "bin" / "shaftloop"
    script.parent.mkdir()
    script.write_text("if __name__ == '__main__':\n    from shaftloop.cli.main import main\n\n    main()\n")
    study = subprocess.Popen(
        [sys.executable, str(script), "study", "s.toml", "--out", "o", "--workers", "2"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(ROOTS)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    # The log of the results grows with the first rows.
    log = tmp_path / "o" / "results.sqlite-wal"
    while study.poll() is None and not (log.is_file() and log.stat().st_size > 100_000):
        pass
    # As a terminal does it: to every process of the command.
    os.killpg(study.pid, stop) if stop == signal.SIGINT else study.send_signal(stop)
    stdout, stderr = study.communicate(timeout=120)
    ahead, kept, said = stderr.splitlines()
    assert (study.returncode, stdout, said) == (code, "", word)
    assert ahead.startswith("100000 candidates")
    assert kept.endswith("of 100000 candidates are done and kept; the same command goes on from there")
    assert not (tmp_path / "ran").exists()
    assert sorted(path.name for path in (tmp_path / "o").iterdir()) == ["results.sqlite"]
