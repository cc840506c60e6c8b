"""`shaftloop sensors`: which torque sensor serves a bench."""

from pathlib import Path

import click

from shaftloop.cli.options import Request, check_of_use, hand_over, request_options
from shaftloop.cli.quantities import QuantityType

__all__ = ["sensors"]


@click.command()
@request_options("SCENARIO", draws=False)
@click.argument("parts", nargs=-1, type=click.Path(path_type=Path), metavar="[PART.toml]...")
@click.option(
    "--require",
    type=QuantityType("1", "0.3 %", above_zero=True),
    help='Largest expanded uncertainty, e.g. "0.3 %" of the reading.',
)
@click.option(
    "--point",
    "points",
    metavar="SPEED,TORQUE",
    multiple=True,
    help='Operating point, e.g. "800 rpm, 90 N m"; repeatable; else those of the scenario.',
)
@click.option(
    "--peak",
    type=QuantityType("N m", "200 N m", above_zero=True),
    help="Largest torque of the line; else from a run of the sequence.",
)
@click.option(
    "--bandwidth",
    type=QuantityType("Hz", "200 Hz", above_zero=True),
    help='Highest frequency of interest, e.g. "200 Hz".',
)
@click.option(
    "--tolerance",
    type=QuantityType("1", "5 %", above_zero=True),
    default="5 %",
    show_default=True,
    help="Largest error of an amplitude up to there.",
)
def sensors(
    request: Request,
    parts: tuple[Path, ...],
    require: float | None,
    points: tuple[str, ...],
    peak: float | None,
    bandwidth: float | None,
    tolerance: float,
) -> None:
    """Judge torque sensors for SCENARIO: part files, or all that ship.

    Each takes the place of the sensor in the line. The table says which serve, and of the others why not:
    rated and limit torque, range, uncertainty, cutoff, sampling; without --require it judges no uncertainty.
    Exit 1 where none serves. Other parts among the files are passed over.
    Writes sensors.json into ./shaftloop-out/<scenario>/; with --json only if --out is given.
    """
    if bandwidth is None:
        check_of_use(["tolerance"], "of use with --bandwidth alone; add it, or leave this out.")
    scenario = request.read()
    from shaftloop.answers.sensors import find_sensors
    from shaftloop.report.files import make_folder
    from shaftloop.report.sensors import room
    from shaftloop.report.terminal import Progress

    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    with Progress("trying torque sensors"):
        answer = find_sensors(
            scenario, parts, points, uncertainty=require, peak=peak, bandwidth=bandwidth, tolerance=tolerance
        )
    hand_over(answer, room, request, folder)
    if all(entry.serves is False for entry in answer.judged):
        raise click.exceptions.Exit(1)
