"""`shaftloop identify`: from logs of a real bench to what they say of it."""

from pathlib import Path

import click

from shaftloop.cli.options import Request, hand_over, log_option, request_options

__all__ = ["identify"]

_FILE = click.Path(path_type=Path)


@click.command()
@request_options("LOG")
@click.argument("more", nargs=-1, type=_FILE, metavar="[LOG]...")
@log_option
@click.option("--response", is_flag=True, required=True, help="The response between two columns of the logs.")
@click.option("--from", "input_column", metavar="COLUMN", required=True, help="Input: a channel or header.")
@click.option("--to", "output_column", metavar="COLUMN", required=True, help="Output: a channel or header.")
@click.option(
    "--instrument",
    metavar="COLUMN",
    help="Known command or injected signal, where a loop is closed around both.",
)
@click.option("--order", "orders", type=float, multiple=True, metavar="N", help="Taken out; repeatable.")
@click.option("--speed", metavar="COLUMN", help="Speed of the shaft that the orders belong to.")
@click.option("--period", metavar="TIME", help="Of the excitation, where it repeats exactly.")
@click.option("--resolution", metavar="FREQUENCY", help="Distance of the lines of a long log.")
def identify(  # noqa: PLR0913  (one argument per option)
    request: Request,
    more: tuple[Path, ...],
    log_options: tuple[str, ...],
    response: bool,
    input_column: str,
    output_column: str,
    instrument: str | None,
    orders: tuple[float, ...],
    speed: str | None,
    period: str | None,
    resolution: str | None,
) -> None:
    """Find the response between two columns of LOG: resonances, damping, dead time, with intervals.

    Needs no scenario. Several logs of one run are brought onto the clock of the first by a channel that both
    show. Writes response.json, response.csv and the picture response into ./shaftloop-out/<log>/; with --json
    nothing is written unless --out is given.
    """
    from shaftloop.analysis.logs.frequency import Demand
    from shaftloop.answers.identify import find_response
    from shaftloop.report.files import make_folder
    from shaftloop.report.identify import response as room

    if request.settings:
        raise click.UsageError("--set changes a scenario, which --response does not need.")
    if any(not order > 0.0 for order in orders):
        raise click.UsageError("--order must be above 0.")
    demand = Demand(
        input_column,
        output_column,
        instrument,
        speed,
        orders,
        _read("--period", period, "s"),
        _read("--resolution", resolution, "Hz"),
    )
    answer = find_response([Path(request.source), *more], demand, log_options)
    folder = request.folder(answer.name)
    if folder is not None:
        make_folder(folder)
    hand_over(answer, room, request, folder)


def _read(option: str, text: str | None, unit: str) -> float | None:
    """Return a stated quantity, which must be above 0."""
    from shaftloop.errors import ScenarioError
    from shaftloop.scenario.fields import shown
    from shaftloop.scenario.units import UnitError, read_quantity

    if text is None:
        return None
    try:
        number = float(read_quantity(text, (unit,))[0])
    except UnitError as error:
        raise ScenarioError([f"{option} {shown(text)}: {error}"]) from None
    if not number > 0.0:
        raise ScenarioError([f"{option} {shown(text)}: must be above 0"])
    return number
