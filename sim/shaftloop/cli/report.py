"""`shaftloop report`: all answers about a bench in one page."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shaftloop.cli.options import Request, check_of_use, default_folder, hand_over, request_options, say
from shaftloop.cli.spelling import spelt

if TYPE_CHECKING:
    from shaftloop.scenario.reading import Scenario
    from shaftloop.studies.whatif.findings import StudyFindings

__all__ = ["report"]

_FILE = click.Path(path_type=Path)


def _read_formats(_: click.Context, __: click.Parameter, text: str) -> tuple[str, ...]:
    known, kinds = ("html", "pdf"), text.split(",")
    for kind in kinds:
        if kind not in known:
            raise click.BadParameter(f'"{kind}" is no format; choose html, pdf, or both as html,pdf')
    return tuple(kind for kind in known if kind in kinds)


@click.command()
@request_options("SCENARIO", draws=False)
@click.option(
    "--study", metavar="STUDY", help="Also what this study of the scenario says: a file or a shipped one."
)
@click.option("--log", type=_FILE, metavar="FILE", help="Measured run (CSV) to lay over the simulated one.")
@click.option(
    "--free",
    multiple=True,
    metavar="PATH[=START[±TOL]]",
    help="Also find this value from the log, as shaftloop identify does; repeatable.",
)
@click.option(
    "--format",
    "formats",
    metavar="FORMATS",
    default="html",
    show_default=True,
    callback=_read_formats,
    help="Write html, pdf (by Chromium), or both as html,pdf.",
)
@click.option("--only", metavar="NAMES", help="Only these sections, e.g. margins,run.")
def report(
    request: Request,
    study: str | None,
    log: Path | None,
    free: tuple[str, ...],
    formats: tuple[str, ...],
    only: str | None,
) -> None:
    """Write all answers about SCENARIO, a file or the name of a shipped one, into one page to hand over.

    Writes report.html into ./shaftloop-out/<scenario>/: it needs no server and no other file. A question that
    the bench does not admit says why and keeps no other out. With --json nothing is written unless --out is
    given. Exit 1 where an expectation does not hold, or a part is taken beyond its limit.
    """
    if log is None:
        check_of_use(["free"], "of use with --log alone; add it, or leave this out.")
    scenario = request.read()
    from shaftloop.analysis.overlay import read_measurement
    from shaftloop.report.files import make_folder
    from shaftloop.report.page import room
    from shaftloop.report.page.sections import Asked, named_sections
    from shaftloop.report.terminal import Progress

    # All that can be wrong with the command line shows before the first run.
    names = named_sections(only.split(",") if only else ())
    measurement = None if log is None else read_measurement(log)
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    findings = None if study is None else _findings(study, scenario)
    files = [] if folder is None else [folder / f"report.{kind}" for kind in formats]
    asked = Asked(scenario, findings, measurement, Progress, log, free)
    with Progress("answering"):
        answer = replace(room.make_report(asked, names, files), spelt=spelt)
    hand_over(answer, room, request, folder)
    if answer.front.broken:
        raise click.exceptions.Exit(1)


def _findings(source: str, scenario: "Scenario") -> "StudyFindings":
    """Return what a study says: its stored results where it was run already, else it is run here."""
    from shaftloop.errors import ScenarioError
    from shaftloop.report.terminal import Progress
    from shaftloop.studies.whatif.designs import CandidatePlan
    from shaftloop.studies.whatif.execute import execute, run_here
    from shaftloop.studies.whatif.findings import find
    from shaftloop.studies.whatif.reading import read_study
    from shaftloop.studies.whatif.store import open_store

    wanted = read_study(source, scenario.settings)
    if wanted.scenario.path != scenario.path:
        raise ScenarioError(
            [f"`study` {source}: is a study of {wanted.scenario.name}, not of {scenario.name}"]
        )
    plan = CandidatePlan(wanted.axes, wanted.design)
    place = default_folder(wanted.name) / "results.sqlite"
    if place.is_file():
        with open_store(place, wanted, plan, reading=True) as store:
            return find(store, 10)
    say(f"study {wanted.name} has no results yet in {place.parent}: it is run now")
    store = open_store(None, wanted, plan)
    with Progress(f"{plan.total} candidates") as progress:
        execute(store, run_here, progress)
    return find(store, 10)
