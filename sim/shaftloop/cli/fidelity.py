"""`shaftloop fidelity`: the torque reading against the truth."""

import click

from shaftloop.cli.options import Request, check_of_use, hand_over, say, scenario_options
from shaftloop.cli.quantities import ORDER, QuantityType, at_option, point_options

__all__ = ["fidelity"]


def _level(_: click.Context, option: click.Parameter, text: str | None) -> tuple[float | None, bool]:
    """Return a torque [N m] or a share of the rated torque [1], and whether it is a share."""
    if text is None:
        return None, False
    share = text.rstrip().endswith("%")
    kind = QuantityType("1", "0.2 %") if share else QuantityType("N m", "0.1 N m")
    return kind.convert(text, option, None), share


@click.command()
@scenario_options
@point_options
@at_option("Also what becomes of a torque of this frequency, e.g. '20 Hz'; repeatable.")
@click.option(
    "--order", "orders", type=ORDER, multiple=True, metavar="N", help="A further ripple of N per turn."
)
@click.option(
    "--ripple",
    type=QuantityType("N m", "1 N m"),
    help="Amplitude of orders for which the scenario states none.",
)
@click.option(
    "--alias-limit",
    "level",
    callback=_level,
    metavar="LEVEL",
    help='What a folded line should stay below, e.g. "0.1 N m" or "0.2 %" of rated torque; else 0.1 %.',
)
@click.option(
    "--inertia-error",
    type=QuantityType("1", "2 %"),
    default="2 %",
    show_default=True,
    help="Of the corrected inertia.",
)
@click.option(
    "--window",
    type=QuantityType("s", "20 ms"),
    help="Over which the encoder is differentiated; else by its noise.",
)
@click.option(
    "--encoder-clock",
    "clock",
    type=QuantityType("Hz", "10 MHz"),
    help='Clock of a timer of edges, e.g. "10 MHz".',
)
@click.option(
    "--encoder-error",
    "turn_error",
    type=QuantityType("rad", "0.05 deg"),
    default="0 deg",
    help="Angle error once per turn: eccentricity over radius of the disc.",
)
@click.option(
    "--crosstalk",
    type=QuantityType("1", "0.5 %"),
    help="Reading of the sensor per bending moment, e.g. 0.5 %; for misalignment.",
)
@click.option(
    "--lever",
    type=QuantityType("m", "60 mm"),
    default="0 mm",
    help="From a misaligned coupling to the measuring section.",
)
def fidelity(  # noqa: PLR0913  (one argument per option)
    request: Request,
    speed: float | None,
    torque: float | None,
    at: tuple[float, ...],
    orders: tuple[float, ...],
    ripple: float | None,
    level: tuple[float | None, bool],
    inertia_error: float,
    window: float | None,
    clock: float | None,
    turn_error: float,
    crosstalk: float | None,
    lever: float,
) -> None:
    """Show how far the torque reading of SCENARIO is from the torque of its unit under test.

    SCENARIO is a file or the name of a shipped one. Writes fidelity.json and the pictures error, pulse,
    folding and time into ./shaftloop-out/<scenario>/. With --json nothing is written unless --out is given.
    """
    if crosstalk is None:
        check_of_use(["lever"], "of use with --crosstalk alone; add it, or leave this out.")
    scenario = request.read()
    from shaftloop.answers.fidelity import Wishes, find_fidelity, with_run
    from shaftloop.report.fidelity import room
    from shaftloop.report.files import make_folder
    from shaftloop.report.terminal import Progress

    wishes = Wishes(
        speed, torque, orders, ripple, *level, inertia_error, window, clock, turn_error, crosstalk, lever, at
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
