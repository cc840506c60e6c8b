"""`shaftloop fidelity`: the torque reading against the truth."""

import click

from shaftloop.cli.options import Request, hand_over, say, scenario_options
from shaftloop.cli.point import at_option, read_frequencies

__all__ = ["fidelity"]


@click.command()
@scenario_options
@click.option("--speed", metavar="SPEED", help='Operating speed, e.g. "1500 rpm"; else of the sequence.')
@click.option("--torque", metavar="TORQUE", help='Operating torque, e.g. "80 N m"; else of the sequence.')
@at_option("Also what becomes of a torque of this frequency, e.g. '20 Hz'; repeatable.")
@click.option(
    "--order", "orders", type=float, multiple=True, metavar="N", help="A further ripple of N per turn."
)
@click.option("--ripple", metavar="TORQUE", help="Amplitude of orders for which the scenario states none.")
@click.option(
    "--alias-limit",
    "level",
    metavar="LEVEL",
    help='What a folded line should stay below, e.g. "0.1 N m" or "0.2 %" of rated torque; else 0.1 %.',
)
@click.option(
    "--inertia-error", default="2 %", show_default=True, metavar="SHARE", help="Of the corrected inertia."
)
@click.option("--window", metavar="TIME", help="Over which the encoder is differentiated; else by its noise.")
@click.option("--encoder-clock", "clock", metavar="RATE", help='Clock of a timer of edges, e.g. "10 MHz".')
@click.option(
    "--encoder-error",
    "turn_error",
    metavar="ANGLE",
    help="Angle error once per turn: eccentricity over radius of the disc.",
)
@click.option(
    "--crosstalk",
    metavar="SHARE",
    help="Reading of the sensor per bending moment, e.g. 0.5 %; for misalignment.",
)
@click.option("--lever", metavar="LENGTH", help="From a misaligned coupling to the measuring section.")
def fidelity(  # noqa: PLR0913  (one argument per option)
    request: Request,
    speed: str | None,
    torque: str | None,
    at: tuple[str, ...],
    orders: tuple[float, ...],
    ripple: str | None,
    level: str | None,
    inertia_error: str,
    window: str | None,
    clock: str | None,
    turn_error: str | None,
    crosstalk: str | None,
    lever: str | None,
) -> None:
    """Show how far the torque reading of SCENARIO is from the torque of its unit under test.

    SCENARIO is a file or the name of a shipped one. Writes fidelity.json and the pictures error, pulse,
    folding and time into ./shaftloop-out/<scenario>/. With --json nothing is written unless --out is given.
    """
    scenario = request.read()
    from shaftloop.answers.fidelity import Wishes, find_fidelity, with_run
    from shaftloop.report.fidelity import room
    from shaftloop.report.files import make_folder
    from shaftloop.report.terminal import Progress

    limit, relative = _level(level)
    wishes = Wishes(
        _quantity("speed", speed, "rad/s", "1500 rpm"),
        _quantity("torque", torque, "N m", "80 N m"),
        orders,
        _quantity("ripple", ripple, "N m", "1 N m"),
        limit,
        relative,
        _quantity("inertia_error", inertia_error, "1", "2 %") or 0.0,
        _quantity("window", window, "s", "20 ms"),
        _quantity("clock", clock, "Hz", "10 MHz"),
        _quantity("turn_error", turn_error, "rad", "0.05 deg") or 0.0,
        _quantity("crosstalk", crosstalk, "1", "0.5 %"),
        _quantity("lever", lever, "m", "60 mm") or 0.0,
        read_frequencies(at),
    )
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    with Progress("comparing reading and torque"):
        answer = find_fidelity(scenario, wishes)
        if folder is not None:
            answer = with_run(answer)
    if answer.no_run:
        say(f"warning: no picture over time: {answer.no_run}")
    hand_over(answer, room, request, folder)


def _level(text: str | None) -> tuple[float | None, bool]:
    """Return a level and whether it is a share of the rated torque."""
    if text is not None and text.rstrip().endswith("%"):
        return _quantity("level", text, "1", "0.2 %"), True
    return _quantity("level", text, "N m", "0.1 N m"), False


def _quantity(option: str, text: str | None, unit: str, example: str) -> float | None:
    """Return the value of an option in SI units."""
    if text is None:
        return None
    from shaftloop.errors import ScenarioError
    from shaftloop.scenario.fields import shown
    from shaftloop.scenario.units import UnitError, read_quantity

    try:
        return float(read_quantity(text, (unit,))[0])
    except UnitError as error:
        raise ScenarioError([f'`{option}`: {shown(text)}: {error}, e.g. "{example}"']) from None
