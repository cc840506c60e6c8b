"""Shaftloop from Python: a bench that is asked the questions of the commands."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shaftloop.analysis.overlay import read_measurement
from shaftloop.answers.experiment import PlanAnswer, find_experiment
from shaftloop.answers.faults import FaultsAnswer, find_faults
from shaftloop.answers.fidelity import FidelityAnswer, Wishes, find_fidelity
from shaftloop.answers.identify import FitAnswer, find_fit, response
from shaftloop.answers.margins import MarginsAnswer, find_margins, with_injection
from shaftloop.answers.modes import ModesAnswer, find_line_modes
from shaftloop.answers.point import check_point, named_loops
from shaftloop.answers.run import RunAnswer, find_run
from shaftloop.answers.sensors import SensorsAnswer, find_sensors
from shaftloop.answers.show import ShowAnswer, find_bench
from shaftloop.answers.sizing import SizeAnswer, find_sizes
from shaftloop.answers.tuning import TuneAnswer, find_gains
from shaftloop.answers.uncertainty import TRIALS, UncertaintyAnswer, find_uncertainty
from shaftloop.errors import ScenarioError
from shaftloop.figures import Figure
from shaftloop.scenario.reading import Scenario, read_scenario
from shaftloop.studies.checks.run import CheckedScenario, check_scenario
from shaftloop.studies.responses import evaluate
from shaftloop.studies.tuning import choosing
from shaftloop.studies.vary import MarginsDemand, read_range
from shaftloop.studies.whatif.ask import study, texts_of
from shaftloop.studies.whatif.findings import StudyFindings

if TYPE_CHECKING:
    from shaftloop.report.page.room import Report

__all__ = ["TestBench", "read", "response", "study"]


class TestBench:
    """A bench as a scenario describes it. Every question runs anew; answers are frozen.

    Parameters
    ----------
    scenario : Scenario
        As read.
    """

    __test__ = False

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario

    def __repr__(self) -> str:
        """Return name and title."""
        return f"<bench {self.scenario.name}: {self.scenario.description.title}>"

    def changed(self, settings: Mapping[str, Any]) -> "TestBench":
        """Return the bench with further values set.

        Parameters
        ----------
        settings : mapping
            Values by path, e.g. ``{"loop.torque.kp": 0.08, "line.ts.latency": "200 us"}``.

        Raises
        ------
        ScenarioError
            With everything that is wrong.
        """
        every = (*self.scenario.settings, *texts_of(settings))
        return TestBench(read_scenario(self.scenario.path, every))

    def show(self) -> ShowAnswer:
        """Return the bench as it is understood, defaults included."""
        return find_bench(self.scenario)

    def simulate(
        self,
        *,
        method: str = "etd4",
        verify: bool = False,
        overlay: str | Path | None = None,
        log: Sequence[str] = (),
        offset: float = 0.0,
    ) -> RunAnswer:
        """Run the sequence.

        Parameters
        ----------
        method : str
            Stepper: ``etd4``, or ``rk4`` as a reference.
        verify : bool
            Repeat the run with half the step and compare.
        overlay : str or Path, optional
            A measured run to compare with; a ``[log]`` table beside it says how it is to be read.
        log : sequence of str
            How that is to be read, ``key=value`` each, on top of the ``[log]`` table.
        offset : float
            Added to the measured time. [s]

        Raises
        ------
        SimulationError
            Where the bench diverges, its energy does not close, or the run would be too long or too large.
        """
        measured = None if overlay is None else read_measurement(Path(overlay), log)
        return find_run(self.scenario, method=method, finer=verify, measurement=measured, offset=offset)

    def modes(self, speed: float | None = None, torque: float | None = None) -> ModesAnswer:
        """Return the torsional modes, and the speeds at which something excites them.

        Parameters
        ----------
        speed, torque : float, optional
            Operating point; else that of the sequence. [rad/s], [N m]
        """
        return find_line_modes(self.scenario, speed, torque)

    def faults(self, *names: str, protected: bool = True) -> FaultsAnswer:
        """Return what the parts see when something fails, the worst first.

        Parameters
        ----------
        *names : str
            Only what fails here: part, hop or loop, or one kind of it: ``c1.broken``.
        protected : bool
            False to leave the interlocks out.
        """
        return find_faults(self.scenario, names, protected=protected)

    def size(self, *files: str | Path, faults: bool = True) -> SizeAnswer:
        """Return what sequence and faults ask of every part, what it stands, and what else would do.

        Parameters
        ----------
        *files : str or Path
            Part files that may take the place of one that does not serve; else the shipped ones.
        faults : bool
            False to look at the sequence alone.
        """
        return find_sizes(self.scenario, [Path(file) for file in files], faults=faults)

    def sensors(self, *files: str | Path, points: Sequence[str] = (), **demand: Any) -> SensorsAnswer:
        """Return which torque sensors serve in place of the one in the line, and why the others do not.

        Parameters
        ----------
        *files : str or Path
            Part files; else the shipped ones.
        points : sequence of str
            Operating points, e.g. ``800 rpm, 90 N m``; else those of the scenario.
        **demand : float
            Fields of `SensorDemand`: `uncertainty`, `peak`, `bandwidth`, `tolerance`.

        Raises
        ------
        ScenarioError
            Where a file or a point is none.
        """
        return find_sensors(self.scenario, [Path(file) for file in files], points, **demand)

    def margins(
        self,
        *loops: str,
        speed: float | None = None,
        torque: float | None = None,
        everywhere: bool = False,
        vary: str | None = None,
        at: Sequence[float] = (),
        inject: str | None = None,
    ) -> MarginsAnswer:
        """Return stability, margins and latency budget of loops.

        Parameters
        ----------
        *loops : str
            Names; all that are no limiters where left out.
        speed, torque : float, optional
            Operating point; else that of the sequence. [rad/s], [N m]
        everywhere : bool
            Also the worst case over the operating range.
        vary : str, optional
            Also the margins against a value, e.g. ``line.ts.latency=0ms..1ms``.
        at : sequence of float
            Also what every loop does at these frequencies. [Hz]
        inject : str, optional
            Also measure the loops in the time simulation: ``multisine``, ``chirp`` or ``stepped_sine``.

        Raises
        ------
        ScenarioError
            Where there is no such loop, or nothing controls the stated speed or torque.
        SimulationError
            Where a limit prevents the operating point.
        """
        needs = "there are no margins" if everywhere or vary or inject or at else ""
        names = named_loops(self.scenario.description, loops, needs)
        check_point(self.scenario.description, speed, torque)
        varied = None if vary is None else read_range(vary)
        found = find_margins(
            self.scenario, MarginsDemand(names, speed, torque), everywhere=everywhere, varied=varied, at=at
        )
        return found if inject is None else with_injection(found, inject)

    def tune(self, *loops: str, tolerances: Sequence[str] = (), **demand: Any) -> TuneAnswer:
        """Find gains of loops and prove them.

        Parameters
        ----------
        *loops : str
            Names of the loops to tune; may be left out where there is one only.
        tolerances : sequence of str
            ``PATH=±20%``, ``PATH=LO..HI`` or a fit.json, for its intervals: the bounds hold at all corners.
        **demand : object
            Further fields of `shaftloop.studies.tuning.choosing.TuningDemand`, e.g. `structures`, `bounds`.

        Raises
        ------
        ScenarioError
            Where there is no such loop, or it is not clear which one is meant.
        SimulationError
            Where the bench has no steady state at the operating point.
        """
        names = named_loops(self.scenario.description, loops, "there is nothing to tune", tuned=True)
        if not loops and len(names) > 1:
            raise ScenarioError([f"say which loop to tune, {' or '.join(names)}, or name both"])
        wanted = choosing.TuningDemand(names, **demand)
        check_point(self.scenario.description, wanted.speed, wanted.torque)
        return find_gains(self.scenario, wanted, tolerances)

    def identify(
        self, logs: str | Path | Sequence[str | Path], free: Sequence[str], **wishes: Any
    ) -> FitAnswer:
        """Find values of the bench from logs of a run.

        Parameters
        ----------
        logs : str, Path or sequence of them
            Logs of one run.
        free : sequence of str
            ``PATH``, ``PATH=START`` or ``PATH=START ± TOLERANCE`` each.
        **wishes : object
            Further arguments of `shaftloop.answers.identify.find_fit`, e.g. `options`, `held_out`, `others`.

        Raises
        ------
        ScenarioError
            Where a log cannot be read or says nothing about what is free.
        SimulationError
            Where the bench cannot be run.
        """
        paths = [logs] if isinstance(logs, str | Path) else logs
        return find_fit(self.scenario, [Path(path) for path in paths], free, **wishes)

    def plan(self, free: Sequence[str], **wishes: Any) -> PlanAnswer:
        """Return what to record so that a log tells values of the bench.

        Parameters
        ----------
        free : sequence of str
            ``PATH``, ``PATH=VALUE`` or ``PATH=VALUE ± TOLERANCE`` each.
        **wishes : object
            Further arguments of `shaftloop.answers.experiment.find_experiment`, e.g. `within`, `point`.

        Raises
        ------
        ScenarioError
            Where something is asked for that is not there, or no experiment keeps what the bench stands.
        SimulationError
            Where the bench cannot be run.
        """
        return find_experiment(self.scenario, free, **wishes)

    def fidelity(self, wishes: Wishes | None = None, **changes: Any) -> FidelityAnswer:
        """Return how far the torque reading is from the torque of the unit under test.

        Parameters
        ----------
        wishes : Wishes, optional
            What is asked for beyond the scenario.
        **changes : object
            Single fields of it.

        Raises
        ------
        SimulationError
            Where a limit prevents the operating point.
        """
        return find_fidelity(self.scenario, replace(wishes or Wishes(), **changes))

    def uncertainty(
        self, *points: str, trials: int | None = TRIALS, everywhere: bool = False
    ) -> UncertaintyAnswer:
        """Return how sure torque, speed, power, losses and efficiency are.

        Parameters
        ----------
        *points : str
            Operating points, e.g. ``800 rpm, 90 N m``; else those of the scenario.
        trials : int or None
            Of Monte Carlo; None for the adaptive procedure of JCGM 101.
        everywhere : bool
            Also over speed and torque.

        Raises
        ------
        ScenarioError
            Where a point is none.
        """
        return find_uncertainty(self.scenario, points, trials=trials, everywhere=everywhere)

    def figures(self, *names: str) -> dict[str, Figure]:
        """Return single figures by name, as in an ``[[expect]]``.

        Parameters
        ----------
        *names : str
            For example ``margins.torque.ms``; each analysis runs once.

        Raises
        ------
        ScenarioError
            Where the bench has no such figure, with the nearest one.
        """
        return evaluate(self.scenario.description, names)

    def check(self, baseline: str | Path | None = None) -> CheckedScenario:
        """Hold the bench to what its scenario expects.

        Parameters
        ----------
        baseline : str or Path, optional
            Also to this baseline.

        Raises
        ------
        ScenarioError
            Where nothing is expected, or the baseline cannot be used.
        """
        place = None if baseline is None else Path(baseline)
        return check_scenario(self.scenario.path, self.scenario.settings, baseline=place)

    def report(
        self,
        path: str | Path,
        *,
        only: Sequence[str] = (),
        study: StudyFindings | None = None,
        overlay: str | Path | None = None,
        free: Sequence[str] = (),
    ) -> "Report":
        """Write all answers into one page to hand over, and return them.

        Parameters
        ----------
        path : str or Path
            File, ``.html`` or ``.pdf``, in an existing folder.
        only : sequence of str
            Sections; all where left out, e.g. ``margins``.
        study : StudyFindings, optional
            Also what this study says.
        overlay : str or Path, optional
            A measured run (CSV) to lay over the simulated one.
        free : sequence of str
            Values of the scenario that are found from that run, as `identify` takes them.

        Raises
        ------
        ScenarioError, OutputError
            Where there is no such section; where the file cannot be written.
        """
        from shaftloop.report.page.room import make_report, write_page
        from shaftloop.report.page.sections import Asked

        log, measured = (Path(overlay), read_measurement(Path(overlay))) if overlay else (None, None)
        asked = Asked(self.scenario, study, measured, log=log, free=tuple(free))
        write_page(found := make_report(asked, only, [Path(path)]))
        return found


def read(source: str | Path, settings: Mapping[str, Any] | None = None) -> TestBench:
    """Read a scenario.

    Parameters
    ----------
    source : str or Path
        A file, or the name of a shipped scenario.
    settings : mapping, optional
        Values by path, e.g. ``{"loop.torque.kp": 0.08}``.

    Raises
    ------
    ScenarioError
        With everything that is wrong, each with its place.
    """
    return TestBench(read_scenario(source, texts_of(settings or {})))
