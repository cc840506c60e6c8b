"""`shaftloop modes`: natural frequencies of the line and the speeds at which they are excited."""

import click

from shaftloop.cli.options import Request, hand_over, scenario_options
from shaftloop.cli.quantities import point_options

__all__ = ["modes"]


@click.command()
@scenario_options
@point_options
def modes(request: Request, speed: float | None, torque: float | None) -> None:
    """Show the torsional modes of SCENARIO, a file or the name of a shipped one.

    Writes modes.json and the pictures modes and campbell into ./shaftloop-out/<scenario>/. With --json
    nothing is written unless --out is given.
    """
    scenario = request.read()
    from shaftloop.answers.modes import find_line_modes
    from shaftloop.report.files import make_folder
    from shaftloop.report.modes import room
    from shaftloop.report.terminal import Progress

    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    with Progress("finding modes"):
        answer = find_line_modes(scenario, speed, torque)
    hand_over(answer, room, request, folder)
