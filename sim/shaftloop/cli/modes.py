"""`shaftloop modes`: natural frequencies of the line and the speeds at which they are excited."""

import click

from shaftloop.cli.options import Request, hand_over, scenario_options

__all__ = ["modes"]


@click.command()
@scenario_options
@click.option("--speed", metavar="SPEED", help='Operating speed, e.g. "1500 rpm"; else of the sequence.')
def modes(request: Request, speed: str | None) -> None:
    """Show the torsional modes of SCENARIO, a file or the name of a shipped one.

    Writes modes.json and the pictures modes and campbell into ./shaftloop-out/<scenario>/. With --json
    nothing is written unless --out is given.
    """
    scenario = request.read()
    from shaftloop.analysis.interference import read_speed
    from shaftloop.answers.modes import find_line_modes
    from shaftloop.report.files import make_folder
    from shaftloop.report.modes import room
    from shaftloop.report.terminal import Progress

    stated = None if speed is None else read_speed(speed)
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    with Progress("finding modes"):
        answer = find_line_modes(scenario, stated)
    hand_over(answer, room, request, folder)
