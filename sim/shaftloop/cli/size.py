"""`shaftloop size`: whether every part of a bench stands what is asked of it."""

from pathlib import Path

import click

from shaftloop.cli.options import Request, hand_over, request_options

__all__ = ["size"]


@click.command()
@request_options("SCENARIO", draws=False)
@click.argument("parts", nargs=-1, type=click.Path(path_type=Path), metavar="[PART.toml]...")
@click.option("--no-faults", is_flag=True, help="Look at the sequence alone.")
def size(request: Request, parts: tuple[Path, ...], no_faults: bool) -> None:
    """Hold every part of SCENARIO against its sequence and its faults.

    The table says what is asked, what is rated, which share is used, whether the part serves, and which part
    files, those named or all that ship, would do in its place. Writes size.json into
    ./shaftloop-out/<scenario>/; with --json only if --out is given. Exit 1 where a part does not serve.
    """
    scenario = request.read()
    from shaftloop.answers.sizing import find_sizes
    from shaftloop.report.files import make_folder
    from shaftloop.report.size import room
    from shaftloop.report.terminal import Progress

    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    answer = find_sizes(scenario, parts, faults=not no_faults, watch=Progress)
    hand_over(answer, room, request, folder)
    if not answer.serves:
        raise click.exceptions.Exit(1)
