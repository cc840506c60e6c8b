"""`shaftloop faults`: what the parts of a bench see when something fails, and who notices."""

import click

from shaftloop.cli.options import Request, hand_over, scenario_options

__all__ = ["faults"]


@click.command()
@scenario_options
@click.option(
    "--fault",
    "names",
    metavar="NAME",
    multiple=True,
    help="Only what fails here: a part, hop, loop, supply, one kind of it, e.g. c1.broken, or a [[fault]] of "
    "the scenario by its name; repeatable.",
)
@click.option("--unprotected", is_flag=True, help="Leave the interlocks out, to see what they save.")
def faults(request: Request, names: tuple[str, ...], unprotected: bool) -> None:
    """Let everything in SCENARIO fail, one at a time, each at the worst of several moments.

    Parts break or block, machines lose their torque, readings, commands, bus frames and loops fail; the table
    says what the worst part sees against its limit, which interlock trips and when the torque is away.
    Writes faults.json and the picture faults into ./shaftloop-out/<scenario>/; with --json only if --out is
    given. Exit 1 where a fault takes a part beyond its limit.
    """
    scenario = request.read()
    from shaftloop.answers.faults import find_faults
    from shaftloop.report.faults import room
    from shaftloop.report.files import make_folder
    from shaftloop.report.terminal import Progress

    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    answer = find_faults(scenario, names, protected=not unprotected, watch=Progress)
    hand_over(answer, room, request, folder)
    if answer.damaging:
        raise click.exceptions.Exit(1)
