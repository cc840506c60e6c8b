"""Plugin for pytest: collects ``*.shaftloop.toml``, each ``[[expect]]`` a test; a fixture for benches.

Every run of pytest in the environment loads this module, so nothing heavy is imported before it is needed.
"""

from collections.abc import Callable, Iterator
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from shaftloop.analysis.margins import Margins
    from shaftloop.analysis.simulation import Simulation
    from shaftloop.figures import Figure
    from shaftloop.scenario.reading import Scenario
    from shaftloop.studies.checks.run import CheckedScenario

__all__ = [
    "BenchUnderTest",
    "ExpectationItem",
    "ScenarioFile",
    "pytest_addoption",
    "pytest_collect_file",
    "shaftloop_bench",
]

_ENDING = ".shaftloop.toml"


class _Broken(Exception):
    """An expectation that does not hold; the message says everything."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options of the plugin."""
    group = parser.getgroup("shaftloop", "test benches")
    group.addoption(
        "--shaftloop-gains",
        metavar="FILE",
        help="gains in place of those of the collected *.shaftloop.toml: .toml or .csv",
    )


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> "ScenarioFile | None":
    """Collect scenarios by the ending of their files."""
    if not file_path.name.endswith(_ENDING):
        return None
    found: ScenarioFile = ScenarioFile.from_parent(parent, path=file_path)
    return found


class ScenarioFile(pytest.File):
    """A scenario whose expectations are tests."""

    def collect(self) -> Iterator["ExpectationItem"]:
        """Yield a test per expectation, and one for the baseline where there is one."""
        from shaftloop.errors import ShaftloopError
        from shaftloop.scenario.reading import read_scenario
        from shaftloop.studies.checks.expectations import resolve

        try:
            expectations = resolve(read_scenario(self.path))
        except ShaftloopError as error:
            raise self.CollectError(str(error)) from None
        if not expectations:
            raise self.CollectError(f"{self.path.name}: nothing is expected; add an [[expect]]")
        for index, expectation in enumerate(expectations):
            yield ExpectationItem.from_parent(self, name=expectation.label, index=index)
        if self.baseline is not None:
            yield ExpectationItem.from_parent(self, name="baseline", index=None)

    @property
    def baseline(self) -> Path | None:
        """The baseline beside the scenario, where there is one."""
        from shaftloop.studies.checks.collect import baseline_file

        path = baseline_file(self.path, None)
        return path if path is not None and path.is_file() else None

    @cached_property
    def checked(self) -> "CheckedScenario":
        """What was found about the scenario; simulated when the first test asks for it."""
        from shaftloop.studies.checks.gains import read_gains
        from shaftloop.studies.checks.run import check_scenario

        gains = self.config.getoption("--shaftloop-gains")
        read = None if gains is None else read_gains(Path(gains))
        return check_scenario(self.path, gains=read, baseline=self.baseline)


class ExpectationItem(pytest.Item):
    """One expectation of a scenario, or its baseline."""

    def __init__(self, *, index: int | None, **rest: object) -> None:
        super().__init__(**rest)  # type: ignore[arg-type]
        self.index = index

    def runtest(self) -> None:
        """Fail where the expectation does not hold."""
        from shaftloop.report.check.words import bench_words, verdict_words

        assert isinstance(self.parent, ScenarioFile)
        checked = self.parent.checked
        if self.index is None:
            if checked.stale:
                raise _Broken("\n".join(bench_words(checked)))
            return
        verdict = checked.verdicts[self.index]
        if verdict.status != "passed":
            why = f"\n{verdict.expectation.why}" if verdict.expectation.why else ""
            raise _Broken(verdict_words(verdict) + why)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: object = None) -> str:
        """Return what does not hold, without a traceback."""
        from shaftloop.cli.spelling import spelt
        from shaftloop.errors import ShaftloopError

        if isinstance(excinfo.value, _Broken | ShaftloopError):
            return spelt(str(excinfo.value))
        return str(super().repr_failure(excinfo))

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Return file and name of the test."""
        return self.path, None, f"{self.path.name}: {self.name}"


class BenchUnderTest:
    """A bench in a test: its scenario, and what follows from it, each found once.

    Parameters
    ----------
    scenario : Scenario
        As read.
    """

    def __init__(self, scenario: "Scenario") -> None:
        self.scenario = scenario

    @cached_property
    def simulation(self) -> "Simulation":
        """The run of its sequence, whose energy closes."""
        from shaftloop.analysis.simulation import simulate
        from shaftloop.analysis.verify import check_energy

        run = simulate(self.scenario.description)
        check_energy(run)
        return run

    @cached_property
    def metrics(self) -> "dict[str, Figure]":
        """Metrics of the run by name."""
        from shaftloop.analysis.metrics import metrics

        return metrics(self.simulation)

    def margins(self, loop: str) -> "Margins":
        """Return the margins of a loop at the operating point.

        Parameters
        ----------
        loop : str
            Name of a loop that is no limiter.
        """
        from shaftloop.analysis.worstcase import analyse_loops

        return analyse_loops(self.scenario.description, [loop])[loop].margins

    def responses(self, *names: str) -> "dict[str, Figure]":
        """Return figures by name, e.g. ``margins.torque.ms``.

        Parameters
        ----------
        *names : str
            As in an ``[[expect]]``.
        """
        from shaftloop.studies.responses import evaluate

        return evaluate(self.scenario.description, names)


@pytest.fixture
def shaftloop_bench(request: pytest.FixtureRequest) -> Callable[..., BenchUnderTest]:
    """Return a function that reads a bench: file or name of a shipped one, settings, ``gains=`` a file.

    Files are looked for beside the test first.
    """

    def bench(source: str | Path, *settings: str, gains: str | Path | None = None) -> BenchUnderTest:
        from shaftloop.scenario.reading import read_scenario
        from shaftloop.studies.checks.gains import read_gains, with_gains

        def beside(name: str | Path) -> str | Path:
            near = request.path.parent / name
            return near if near.is_file() else name

        if gains is None:
            return BenchUnderTest(read_scenario(beside(source), settings))
        return BenchUnderTest(with_gains(beside(source), settings, read_gains(Path(beside(gains)))))

    return bench
