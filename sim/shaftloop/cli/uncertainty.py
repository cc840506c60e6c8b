"""`shaftloop uncertainty`: budgets of a bench, or of any measurement written as a file."""

from typing import TYPE_CHECKING, Any

import click

from shaftloop.cli.options import Request, hand_over, scenario_options

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["uncertainty"]


@click.command()
@scenario_options
@click.option(
    "--point",
    "points",
    metavar="SPEED,TORQUE",
    multiple=True,
    help='Operating point, e.g. "800 rpm, 90 N m"; repeatable; else those of the scenario.',
)
@click.option("--map", "everywhere", is_flag=True, help="Also the uncertainty over speed and torque.")
@click.option("--trials", metavar="N", help='Monte Carlo trials, or "adaptive" (JCGM 101, 7.9).')
@click.option(
    "--monte-carlo-alone",
    "alone",
    is_flag=True,
    help="No first-order budget: for a measurement file with a kink, a pole or the edge of a root.",
)
def uncertainty(
    request: Request, points: tuple[str, ...], everywhere: bool, trials: str | None, alone: bool
) -> None:
    """Show how sure torque, speed, power and efficiency of SCENARIO are.

    SCENARIO is a scenario (file or name of a shipped one), or a measurement file: quantities with their
    distributions and expressions of them, with no [[line]]. Budgets follow JCGM 100, Monte Carlo JCGM 101.
    Writes uncertainty.json and the pictures contributions, window and with --map the map into
    ./shaftloop-out/<scenario>/. With --json nothing is written unless --out is given.
    """
    from shaftloop.analysis.uncertainty.reading import is_measurement_file
    from shaftloop.scenario.source import find_scenario

    path = find_scenario(request.source)
    count = _read_trials(trials)
    if is_measurement_file(path):
        if points or everywhere or request.settings:
            raise click.UsageError(
                "--point, --map and --set go with a scenario, not with a measurement file."
            )
        changes: dict[str, Any] = {"trials": count} if trials is not None else {}
        _measurement_file(request, path, changes | ({"alone": True} if alone else {}))
    elif alone:
        raise click.UsageError("--monte-carlo-alone goes with a measurement file, not with a scenario.")
    else:
        _bench(request, points, everywhere, count, trials is not None)


def _measurement_file(request: Request, path: "Path", changes: dict[str, Any]) -> None:
    from shaftloop.analysis.uncertainty.reading import read_measurement_file
    from shaftloop.answers.uncertainty import find_measurement
    from shaftloop.report.files import make_folder
    from shaftloop.report.terminal import Progress
    from shaftloop.report.uncertainty import measurement as room

    file = read_measurement_file(path)
    folder = request.folder(file.name)
    if folder is not None:
        make_folder(folder)
    with Progress("drawing from distributions"):
        answer = find_measurement(file, **changes)
    hand_over(answer, room, request, folder)


def _bench(
    request: Request, points: tuple[str, ...], everywhere: bool, trials: int | None, stated: bool
) -> None:
    from shaftloop.answers.uncertainty import TRIALS, find_uncertainty
    from shaftloop.report.files import make_folder
    from shaftloop.report.terminal import Progress
    from shaftloop.report.uncertainty import room

    scenario = request.read()
    with Progress("finding uncertainties"):
        answer = find_uncertainty(
            scenario, points, trials=trials if stated else TRIALS, everywhere=everywhere
        )
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    hand_over(answer, room, request, folder)


def _read_trials(text: str | None) -> int | None:
    """Return a number of trials, nothing for the adaptive procedure."""
    from shaftloop.analysis.uncertainty.montecarlo import MOST_TRIALS
    from shaftloop.errors import ScenarioError
    from shaftloop.scenario.fields import shown

    if text is None or text == "adaptive":
        return None
    if not text.isascii() or not text.isdecimal() or len(text) > 9 or not 2 <= int(text) <= MOST_TRIALS:
        raise ScenarioError(
            [f'--trials {shown(text)}: no whole number from 2 to {MOST_TRIALS} and not "adaptive"']
        )
    return int(text)
