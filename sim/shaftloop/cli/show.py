"""`shaftloop show`: the bench as it is understood."""

import click

from shaftloop.cli.options import Request, hand_over, request_options

__all__ = ["show"]


@click.command()
@request_options("SCENARIO", draws=False)
def show(request: Request) -> None:
    """Show SCENARIO, a file or the name of a shipped one, as it is understood, defaults included.

    Writes nothing unless --out is given, then show.json.
    """
    scenario = request.read()
    from shaftloop.answers.show import find_bench
    from shaftloop.report.files import make_folder
    from shaftloop.report.show import room
    from shaftloop.report.terminal import Progress

    if request.out is not None:
        make_folder(request.out)
    with Progress("finding modes"):
        answer = find_bench(scenario)
    hand_over(answer, room, request, request.out)
