"""`shaftloop check`: expectations of scenarios, against a baseline."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shaftloop.cli.options import hand_out, patience_option, say, spelt_piece
from shaftloop.cli.quantities import tolerance_option
from shaftloop.cli.spelling import spelt

if TYPE_CHECKING:
    from shaftloop.studies.checks.gains import GainsFile
    from shaftloop.studies.checks.run import CheckedScenario, Refused

__all__ = ["check"]

_FILE = click.Path(path_type=Path)
_EXIT = {"passed": 0, "failed": 1, "refused": 2, "error": 3}


@click.command()
@click.argument("paths", metavar="PATH...", nargs=-1, required=True)
@click.option(
    "--set",
    "settings",
    metavar="PATH=VALUE",
    multiple=True,
    help="Change a value of every scenario, e.g. loop.torque.kp=0.3; repeatable.",
)
@click.option("--gains", type=_FILE, metavar="FILE", help="Gains in place of the scenario's: .toml or .csv.")
@click.option(
    "--baseline",
    type=_FILE,
    metavar="FILE",
    help="Baseline, or folder of baselines; else <scenario>.baseline.toml beside the scenario.",
)
@tolerance_option("Also at all corners")
@click.option("--update-baseline", is_flag=True, help="Write the baseline anew instead of comparing.")
@click.option("--junit", type=_FILE, metavar="FILE", help="Also write JUnit XML.")
@click.option("--markdown", type=_FILE, metavar="FILE", help="Also write a summary for a merge request.")
@click.option("--picture", type=_FILE, metavar="FILE", help="Also draw what changed gains do: .svg or .png.")
@patience_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout and nothing else.")
def check(
    paths: tuple[str, ...],
    settings: tuple[str, ...],
    gains: Path | None,
    baseline: Path | None,
    tolerances: tuple[str, ...],
    update_baseline: bool,
    as_json: bool,
    **files: Path | None,
) -> None:
    """Check the [[expect]] tables of scenarios.

    PATH is a scenario file, the name of a shipped scenario, or a folder: of a folder all *.shaftloop.toml
    count, and all other *.toml that hold an [[expect]]. Exit codes: 0 all hold, 1 one does not, 2 bad input,
    3 a simulation failed. Every scenario is reported, whatever is wrong with the others; of several exit
    codes 2 comes before 3 and 3 before 1.
    """
    from shaftloop.report.check.document import overall
    from shaftloop.report.files import check_folder, together
    from shaftloop.studies.checks.collect import collect
    from shaftloop.studies.checks.gains import read_gains

    # All that can be wrong with the command line shows before the first simulation.
    sources = collect(paths)
    read = None if gains is None else read_gains(gains)
    _check_command(sources, baseline, files["picture"])
    for file in files.values():
        if file is not None:
            check_folder(file.parent)
    if update_baseline and tolerances:
        raise click.UsageError("--update-baseline takes the bench as it stands: leave --tolerance out.")
    items = [_check(source, settings, read, baseline, update_baseline) for source in sources]
    items += [item for source in sources for item in _corners(source, settings, read, tolerances)]
    with together():
        written = _update(items, baseline) if update_baseline else []
        written += _write(items, files)
    _hand_over(items, written, as_json)
    raise click.exceptions.Exit(_EXIT[overall(items)])


def _check_command(sources: Sequence[str], baseline: Path | None, picture: Path | None) -> None:
    if len(sources) > 1 and baseline is not None and baseline.suffix == ".toml":
        raise click.UsageError("--baseline names one file for several scenarios; name a folder.")
    if picture is not None and len(sources) > 1:
        raise click.UsageError("--picture shows one scenario; check one at a time.")
    if picture is not None and picture.suffix not in (".svg", ".png"):
        raise click.UsageError("--picture writes .svg or .png.")


def _check(
    source: str, settings: tuple[str, ...], gains: "GainsFile | None", baseline: Path | None, update: bool
) -> "CheckedScenario | Refused":
    from shaftloop.errors import ScenarioError
    from shaftloop.report.files import OutputError, make_folder
    from shaftloop.report.terminal import Progress
    from shaftloop.scenario.source import find_scenario
    from shaftloop.studies.checks.collect import baseline_file
    from shaftloop.studies.checks.run import Refused, check_scenario

    try:
        place = baseline_file(find_scenario(source), baseline)
        if update and place is None:
            raise ScenarioError(
                [f"{source}: ships with the package: say where its baseline goes with --baseline FILE"]
            )
        if update and place is not None:
            make_folder(place.parent)
            place = None
        if baseline is None and place is not None and not place.is_file():
            place = None
        with Progress(f"checking {source}"):
            checked = check_scenario(source, settings, gains, place, compare=not update)
    except (ScenarioError, OutputError) as error:
        return Refused(source, tuple(spelt(str(error)).splitlines()))
    for warning in checked.warnings:
        say(f"warning: {warning}")
    return checked


def _corners(
    source: str, settings: tuple[str, ...], gains: "GainsFile | None", tolerances: Sequence[str]
) -> "Iterator[CheckedScenario | Refused]":
    """Yield the checks at the corners of tolerances; there the bounds are judged alone."""
    from shaftloop.errors import ScenarioError
    from shaftloop.report.terminal import Progress
    from shaftloop.studies.checks.run import Refused, check_scenario
    from shaftloop.studies.tuning.tolerance import corner_settings, read_tolerances

    if not tolerances:
        return
    try:
        found = read_tolerances(tolerances, source, settings)
        for label, ends in list(corner_settings(found))[1:]:
            with Progress(f"checking {source} at {label}"):
                checked = check_scenario(source, (*settings, *ends), gains, None, compare=False)
            yield replace(checked, corner=label)
    except ScenarioError as error:
        yield Refused(source, tuple(spelt(str(error)).splitlines()))


def _update(items: "Sequence[CheckedScenario | Refused]", baseline: Path | None) -> list[Path]:
    """Write the baseline of every scenario whose figures could all be found."""
    from shaftloop.report.documents import tool_version
    from shaftloop.report.files import write_text
    from shaftloop.studies.checks.baseline import baseline_text, take
    from shaftloop.studies.checks.collect import baseline_file
    from shaftloop.studies.checks.run import CheckedScenario

    files = []
    for item in items:
        if not isinstance(item, CheckedScenario) or item.status == "error":
            continue
        place = baseline_file(item.scenario.path, baseline)
        if place is not None:
            write_text(
                place, baseline_text(take(item.scenario, item.found, tool_version()), item.scenario.name)
            )
            files.append(place)
    return files


def _write(items: "Sequence[CheckedScenario | Refused]", wanted: dict[str, Path | None]) -> list[Path]:
    from shaftloop.report.check.files import junit_text, markdown_text
    from shaftloop.report.files import write_text

    files = []
    for key, text_of in (("junit", junit_text), ("markdown", markdown_text)):
        path = wanted[key]
        if path is not None:
            write_text(path, text_of(items, spelt))
            files.append(path)
    return files + (_draw(items, wanted["picture"]) if wanted["picture"] is not None else [])


def _draw(items: "Sequence[CheckedScenario | Refused]", path: Path) -> list[Path]:
    """Draw what the changed gains do; where that cannot be, the check itself still stands."""
    from shaftloop.errors import ShaftloopError
    from shaftloop.report.check.picture import comparison_picture
    from shaftloop.report.check.words import gain_labels
    from shaftloop.studies.checks.compare import compare_gains
    from shaftloop.studies.checks.run import CheckedScenario

    for item in items:
        if isinstance(item, CheckedScenario):
            try:
                found = compare_gains(item)
            except ShaftloopError as error:
                say(f"warning: no picture: {error}")
                continue
            labels, subject = gain_labels(item, found.loop), item.scenario.description.title
            comparison_picture(found, labels, subject).write([path])
            return [path]
    return []


def _hand_over(items: "Sequence[CheckedScenario | Refused]", files: list[Path], as_json: bool) -> None:
    from shaftloop.cautions import cautions
    from shaftloop.report.check.document import check_document
    from shaftloop.report.check.tables import details, verdict
    from shaftloop.report.documents import as_json as text_of
    from shaftloop.report.terminal import print_answer, print_details, show_cautions, show_files
    from shaftloop.studies.checks.run import CheckedScenario

    changed = any(isinstance(item, CheckedScenario) and item.gain_changes for item in items)
    mind = cautions("gains") if changed else ()
    if as_json:
        hand_out(text_of({"answer": verdict(items), **check_document(items), "cautions": list(mind)}))
    else:
        print_answer([spelt(sentence) for sentence in verdict(items)])
        print_details(map(spelt_piece, details(items)))
        show_files(files)
        show_cautions(mind)
