"""The plugin for pytest: scenarios as tests, the fixture, and a light start."""

import os
import subprocess
import sys
from importlib.metadata import entry_points
from pathlib import Path

import pytest
from click.testing import CliRunner

from checkbench import EXPECTED, fake_figures, write_bench
from shaftloop.cli.main import cli

pytest_plugins = "pytester"

INSTALLED = any(point.name == "shaftloop" for point in entry_points(group="pytest11"))
LOAD = () if INSTALLED else ("-p", "shaftloop.cli.pytest_plugin")


TESTS = Path(__file__).parents[1]
CLOSED_FORMS = """
import pytest
from checkbench import fake_figures
fake_figures(pytest.MonkeyPatch())
"""


@pytest.fixture(autouse=True)
def importable(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a pytest in a process of its own, elsewhere, import what this one does."""
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(TESTS), *filter(None, sys.path)]))


def run(pytester: pytest.Pytester, *arguments: str, conftest: str = CLOSED_FORMS) -> pytest.RunResult:
    pytester.makeconftest(conftest)
    return pytester.runpytest_subprocess(*LOAD, "-p", "no:cacheprovider", *arguments)


def test_every_expectation_is_a_test(pytester: pytest.Pytester) -> None:
    write_bench(pytester.path / "hub.shaftloop.toml")
    write_bench(pytester.path / "other.toml")
    result = run(pytester, "-v")
    result.assert_outcomes(passed=3)
    result.stdout.fnmatch_lines(["*hub.shaftloop.toml::phase PASSED*"])


def test_a_failure_says_what_does_not_hold_and_no_more(pytester: pytest.Pytester) -> None:
    write_bench(pytester.path / "hub.shaftloop.toml", EXPECTED, ("kp = 0.40", "kp = 0.65"))
    result = run(pytester)
    result.assert_outcomes(passed=2, failed=1)
    result.stdout.fnmatch_lines(["Ms of torque is 1.65; 0.05 above the limit 1.6", "soft couplings"])
    assert "Traceback" not in result.stdout.str() and "pytest_plugin.py" not in result.stdout.str()


def test_gains_and_baseline_are_taken_into_account(pytester: pytest.Pytester) -> None:
    path = write_bench(pytester.path / "hub.shaftloop.toml")
    with pytest.MonkeyPatch.context() as patch:
        fake_figures(patch)
        assert CliRunner().invoke(cli, ["check", str(path), "--update-baseline"]).exit_code == 0
    run(pytester).assert_outcomes(passed=4)
    (pytester.path / "g.toml").write_text("loop.torque.kp = 0.44\n", encoding="utf-8")
    result = run(pytester, "--shaftloop-gains", "g.toml")
    result.assert_outcomes(passed=3, failed=1)
    result.stdout.fnmatch_lines(["phase margin of torque fell from 60° to 56°*"])
    write_bench(path, EXPECTED, ('latency = "3 samples"', 'latency = "4 samples"'))
    result = run(pytester)
    result.assert_outcomes(passed=3, failed=1)
    result.stdout.fnmatch_lines(["*is of another version of the bench, which differs in line.ts*"])


def test_bad_gains_are_named_in_every_test(pytester: pytest.Pytester) -> None:
    write_bench(pytester.path / "hub.shaftloop.toml")
    (pytester.path / "g.toml").write_text("loop.torqe.kp = 0.44\n", encoding="utf-8")
    result = run(pytester, "--shaftloop-gains", "g.toml")
    result.assert_outcomes(failed=3)
    result.stdout.fnmatch_lines(
        ['g.toml:1: "loop.torqe.kp" is no gain of this bench; nearest: loop.torque.kp']
    )


@pytest.mark.parametrize(
    ("expected", "message"),
    [
        (
            '\n[[expect]]\nmetric = "margins.x.ms"\nat_most = 1\n',
            '*"margins.x.ms" is no figure of this bench*',
        ),
        ("", "*hub.shaftloop.toml: nothing is expected; add an*expect*"),
    ],
)
def test_a_scenario_that_cannot_be_used_is_an_error(
    pytester: pytest.Pytester, expected: str, message: str
) -> None:
    write_bench(pytester.path / "hub.shaftloop.toml", expected)
    result = run(pytester)
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines([message])
    assert "Traceback" not in result.stdout.str()


def test_an_error_of_another_kind_keeps_its_traceback(pytester: pytest.Pytester) -> None:
    write_bench(pytester.path / "hub.shaftloop.toml")
    broken = "from shaftloop.studies.checks import run\nrun.check_scenario = lambda *_, **__: 1 / 0\n"
    result = run(pytester, conftest=broken)
    result.assert_outcomes(failed=3)
    result.stdout.fnmatch_lines(["*ZeroDivisionError: division by zero*"])


@pytest.mark.compiled
def test_the_fixture_reads_runs_and_analyses_a_bench(pytester: pytest.Pytester) -> None:
    write_bench(pytester.path / "hub.toml")
    (pytester.path / "g.toml").write_text("loop.torque.kp = 0.3\n", encoding="utf-8")
    pytester.makepyfile(
        """
        def test_bench(shaftloop_bench):
            bench = shaftloop_bench("hub.toml", "duration=40 ms", gains="g.toml")
            assert bench.scenario.description.loop[1].kp.value == 0.3
            assert bench.margins("torque").stable
            assert bench.metrics["peak_true_torque"].value > 1.0
            assert bench.simulation is bench.simulation
            found = bench.responses("margins.torque.ms")["margins.torque.ms"]
            assert found.value == bench.margins("torque").ms

        def test_shipped(shaftloop_bench):
            assert shaftloop_bench("wheel-hub", "seed=3").scenario.description.seed == 3
        """
    )
    run(pytester, conftest="").assert_outcomes(passed=2)


def test_nothing_heavy_is_loaded_with_pytest() -> None:
    code = (
        "import sys, shaftloop.cli.pytest_plugin; print(*sorted({m.partition('.')[0] for m in sys.modules}))"
    )
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    heavy = {"numpy", "scipy", "numba", "matplotlib", "control", "simpy", "rich", "click"}
    assert heavy & set(loaded.stdout.split()) == set()


def test_the_entry_point_names_the_plugin() -> None:
    text = (Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8")
    assert '[project.entry-points.pytest11]\nshaftloop = "shaftloop.cli.pytest_plugin"' in text
