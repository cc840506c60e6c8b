"""The questions of the report, in their order. One more is one more line of `SECTIONS`."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from shaftloop.analysis.overlay import MeasuredRun
from shaftloop.analysis.simulation import simulate
from shaftloop.analysis.verify import verify
from shaftloop.answers.base import Watch, unwatched
from shaftloop.answers.faults import find_faults
from shaftloop.answers.fidelity import find_fidelity, with_run
from shaftloop.answers.identify import FitAnswer, find_fit
from shaftloop.answers.margins import MarginsAnswer, find_margins
from shaftloop.answers.modes import find_line_modes
from shaftloop.answers.point import named_loops
from shaftloop.answers.run import RunAnswer, find_run
from shaftloop.answers.show import find_bench
from shaftloop.answers.sizing import find_sizes
from shaftloop.answers.uncertainty import find_uncertainty
from shaftloop.errors import CostError, ScenarioError, ShaftloopError, SimulationError
from shaftloop.report.canvas import Picture
from shaftloop.report.check import tables as check
from shaftloop.report.faults import room as faults
from shaftloop.report.fidelity import room as fidelity
from shaftloop.report.identify import fit as identification
from shaftloop.report.judgement import Judgement
from shaftloop.report.margins import judged as stability
from shaftloop.report.margins import room as margins
from shaftloop.report.modes import room as modes
from shaftloop.report.run import judged as ratings
from shaftloop.report.run import room as run
from shaftloop.report.run.tables import CAUTIONS, end_caution
from shaftloop.report.show import room as bench
from shaftloop.report.size import room as size
from shaftloop.report.study import room as study
from shaftloop.report.terminal import Piece
from shaftloop.report.uncertainty import room as uncertainty
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.checks.run import CheckedScenario, check_scenario
from shaftloop.studies.vary import MarginsDemand
from shaftloop.studies.whatif.findings import StudyFindings

__all__ = ["SECTIONS", "AnsweredSection", "Asked", "PageSection", "find_sections", "named_sections"]


@dataclass(frozen=True)
class Asked:
    """What the report is about."""

    scenario: Scenario
    study: StudyFindings | None = None
    measurement: MeasuredRun | None = None
    """A measured run to lay over the simulated one."""
    watch: Watch = unwatched
    log: Path | None = None
    free: tuple[str, ...] = ()
    """Values that are to be found from the log; none, and nothing is identified."""


def _none(_: Any) -> Iterable[Any]:
    return ()


@dataclass(frozen=True)
class PageSection:
    """A question, what finds its answer, and what the report knows of it."""

    name: str
    question: str
    find: Callable[[Asked], Any]
    """Returns the answer; nothing where the question was not asked."""
    verdict: Callable[[Any], Iterable[str]]
    details: Callable[[Any], Iterable[Piece]]
    pictures: Callable[[Any], Iterable[Picture]] = _none
    judgements: Callable[[Any], Iterable[Judgement]] = _none
    advice: Callable[[Any], Iterable[str]] = _none
    dangers: Callable[[Any], Iterable[str]] = _none
    """What is unsafe, beyond judgements that do not hold."""
    reservations: Callable[[Any], Iterable[str]] = _none
    """What stands against a yes, as a clause."""


def _check(asked: Asked) -> list[CheckedScenario]:
    return [check_scenario(asked.scenario.path, asked.scenario.settings, compare=False)]


def _run(asked: Asked) -> RunAnswer:
    description = asked.scenario.description
    once = description.duty is None
    answer = find_run(asked.scenario, finer=once, measurement=asked.measurement, watch=asked.watch)
    if once:
        return answer
    # What finer steps change shows in one cycle of a duty.
    cycle = replace(description, duty=None)
    with asked.watch("a cycle with finer steps") as progress:
        return replace(answer, verification=verify(cycle, simulate(cycle), progress=progress))


def _run_verdict(answer: RunAnswer) -> list[str]:
    """Return what a run says; how exact it is stands at the end of the page."""
    return run.verdict(replace(answer, verification=None))


def _run_details(answer: RunAnswer) -> Iterator[Piece]:
    """Yield what a run says; how exact it is, and what the models leave out, have places of their own."""
    return (piece for piece in run.details(replace(answer, verification=None)) if piece is not CAUTIONS)


def _run_dangers(answer: RunAnswer) -> Iterator[str]:
    caution = end_caution(answer)
    if caution is not None:
        yield caution


def _margins(asked: Asked) -> MarginsAnswer:
    names = named_loops(asked.scenario.description, (), "there are no margins")
    return find_margins(asked.scenario, MarginsDemand(names), watch=asked.watch)


def _fit(asked: Asked) -> FitAnswer | None:
    if asked.log is None or not asked.free:
        return None
    return find_fit(asked.scenario, [asked.log], asked.free, watch=asked.watch)


SECTIONS = (
    PageSection(
        "expectations",
        "Does the bench do what is expected of it?",
        _check,
        check.verdict,
        check.details,
        judgements=check.judgements,
    ),
    PageSection("line", "What is the bench?", lambda a: find_bench(a.scenario), bench.verdict, bench.tables),
    PageSection(
        "modes",
        "Where does the line resonate?",
        lambda a: find_line_modes(a.scenario),
        modes.verdict,
        modes.details,
        modes.pictures,
    ),
    PageSection(
        "run",
        "What does the bench do over time, and where does the energy go?",
        _run,
        _run_verdict,
        _run_details,
        run.pictures,
        ratings.judgements,
        dangers=_run_dangers,
    ),
    PageSection(
        "parts",
        "Does every part stand the sequence?",
        # With faults it would run them all twice: they have a section of their own.
        lambda a: find_sizes(a.scenario, faults=False, watch=a.watch),
        size.verdict,
        size.details,
        advice=size.advice,
    ),
    PageSection(
        "margins",
        "How much do the loops stand?",
        _margins,
        margins.verdict,
        margins.details,
        margins.pictures,
        stability.judgements,
        stability.advice,
    ),
    PageSection(
        "fidelity",
        "How far is the reading from the truth?",
        lambda a: with_run(find_fidelity(a.scenario)),
        fidelity.verdict,
        fidelity.details,
        fidelity.pictures,
        advice=fidelity.advice,
    ),
    PageSection(
        "uncertainty",
        "How sure is the number?",
        lambda a: find_uncertainty(a.scenario),
        uncertainty.verdict,
        uncertainty.details,
        uncertainty.pictures,
        advice=uncertainty.advice,
    ),
    PageSection(
        "faults",
        "What does the bench stand when something fails?",
        lambda a: find_faults(a.scenario, watch=a.watch),
        faults.verdict,
        faults.details,
        faults.pictures,
        advice=faults.advice,
        dangers=faults.dangers,
        reservations=faults.reservations,
    ),
    PageSection(
        "identification",
        "Does the real bench say the same?",
        _fit,
        identification.verdict,
        identification.details,
        identification.pictures,
    ),
    PageSection(
        "study",
        "What does the study say?",
        lambda a: a.study,
        study.verdict,
        study.details,
        study.pictures,
    ),
)


@dataclass(frozen=True)
class AnsweredSection:
    """A section with its answer, or with why there is none."""

    section: PageSection
    answer: Any = None
    reason: str = ""
    failed: bool = False
    """Whether the simulation failed; else the bench lacks what is asked about, or it takes too long."""

    @property
    def sentences(self) -> list[str]:
        """The answer in words, or why there is none."""
        if not self.reason:
            return list(self.section.verdict(self.answer))
        return [f"{'The simulation failed' if self.failed else 'No answer'}: {self.reason}"]

    @property
    def judgements(self) -> list[Judgement]:
        """What is asked of the bench here, and whether it holds."""
        if self.failed:
            return [Judgement("answer", False, f"{self.section.question} {self.sentences[0]}")]
        return [] if self.reason else list(self.section.judgements(self.answer))

    @property
    def advice(self) -> list[str]:
        """What to buy or change."""
        return [] if self.reason else list(self.section.advice(self.answer))

    @property
    def dangers(self) -> list[str]:
        """What is unsafe, beyond judgements that do not hold."""
        return [] if self.reason else list(self.section.dangers(self.answer))

    @property
    def reservations(self) -> list[str]:
        """What stands against a yes, as clauses."""
        return [] if self.reason else list(self.section.reservations(self.answer))


def find_sections(asked: Asked, names: Iterable[str]) -> Iterator[AnsweredSection]:
    """Yield the answers to questions; one that has none says why, and does not keep the others out.

    Parameters
    ----------
    names : iterable of str
        Of the sections.
    """
    wanted = set(names)
    for section in SECTIONS:
        if section.name not in wanted:
            continue
        try:
            answer = section.find(asked)
        except ShaftloopError as error:
            failed = isinstance(error, SimulationError) and not isinstance(error, CostError)
            yield AnsweredSection(section, None, str(error), failed)
            continue
        if answer is not None:
            yield AnsweredSection(section, answer)


def named_sections(names: Iterable[str]) -> tuple[str, ...]:
    """Return the names of sections: those named, else all.

    Parameters
    ----------
    names : iterable of str
        Names.

    Raises
    ------
    ScenarioError
        Where there is no such section.
    """
    known = [section.name for section in SECTIONS]
    for name in names:
        if name not in known:
            raise ScenarioError(
                [f"`only` {shown(name)}: no such section; known: {', '.join(known)}{nearest(name, known)}"]
            )
    return tuple(names) or tuple(known)
