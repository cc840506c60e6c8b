"""`shaftloop identify`: from logs of a real bench to what they say of it."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from shaftloop.cli.options import (
    Grouped,
    Request,
    check_as_stated,
    check_of_use,
    check_writable,
    hand_over,
    log_option,
    request_options,
    say,
)
from shaftloop.cli.quantities import ORDER, QuantityType

if TYPE_CHECKING:
    from shaftloop.answers.identify import FitAnswer

__all__ = ["identify"]

_FILE = click.Path(path_type=Path)
_GROUPS = {
    "What is found": ("free", "hold_out", "lead", "others", "since", "log", "settings"),
    "What to record": ("plan", "within", "kinds", "length", "point", "logged"),
    "The response of LOG": (
        "response",
        "input_column",
        "output_column",
        "instrument",
        "period",
        "resolution",
    ),
    "Order lines": ("orders", "speed"),
    "What is written": ("write", "out", "as_json", "pictures"),
}


@click.command(cls=Grouped, groups=_GROUPS)
@request_options("SCENARIO|LOG")
@click.argument("more", nargs=-1, type=_FILE, metavar="[LOG]...")
@log_option
@click.option(
    "--free",
    multiple=True,
    metavar="PATH[=START[±TOL]]",
    help='What to find, e.g. "line.c1.stiffness=20 kN m/rad ± 20 %"; repeatable.',
)
@click.option(
    "--hold-out",
    type=QuantityType("1", "30 %", above_zero=True),
    default="30 %",
    show_default=True,
    help="Of the log, to be judged.",
)
@click.option(
    "--lead",
    type=QuantityType("s", "2 s", above_zero=True),
    help="How long what is played is held before the log begins.",
)
@click.option("--judge", "others", multiple=True, type=_FILE, metavar="LOG", help="Another run to be judged.")
@click.option(
    "--since", type=_FILE, metavar="LOG|fit.json", help="Of an earlier date: what has changed since then?"
)
@click.option(
    "--write",
    is_flag=True,
    help="Write what was found into SCENARIO, comments and layout kept; an experiment goes beside it.",
)
@click.option("--plan", is_flag=True, help="The experiment to record, before there is a log.")
@click.option(
    "--within",
    type=QuantityType("1", "2 %", above_zero=True),
    default="5 %",
    show_default=True,
    help="Half of the 95 % interval that is sure enough.",
)
@click.option(
    "--kind",
    "kinds",
    type=click.Choice(["multisine", "chirp", "steps", "coast_down"]),
    multiple=True,
    help="Only such experiments; repeatable.",
)
@click.option(
    "--length", type=QuantityType("s", "10 s", above_zero=True), help="Of the excitation; else it is found."
)
@click.option(
    "--point",
    metavar="SPEED,TORQUE",
    help='Speed and highest torque, e.g. "800 rpm, 90 N m"; else of the sequence.',
)
@click.option(
    "--logged",
    multiple=True,
    metavar="CHANNEL[=NOISE]",
    help='What will be logged, e.g. "reading=0.3 N m"; repeatable.',
)
@click.option("--response", is_flag=True, help="The response between two columns instead; needs no scenario.")
@click.option("--from", "input_column", metavar="COLUMN", help="Input of a response: a channel or header.")
@click.option("--to", "output_column", metavar="COLUMN", help="Output of a response.")
@click.option("--instrument", metavar="COLUMN", help="Known command, where a loop is closed around both.")
@click.option("--order", "orders", type=ORDER, multiple=True, metavar="N", help="Taken out; repeatable.")
@click.option(
    "--speed",
    metavar="COLUMN",
    help="Speed of the shaft that the orders belong to; in a fit else the first speed, or an angle.",
)
@click.option(
    "--period",
    type=QuantityType("s", "0.5 s", above_zero=True),
    help="Of the excitation, where it repeats exactly.",
)
@click.option(
    "--resolution",
    type=QuantityType("Hz", "0.5 Hz", above_zero=True),
    help="Distance of the lines of a long log.",
)
def identify(  # noqa: PLR0913  (one argument per option)
    request: Request,
    more: tuple[Path, ...],
    log: tuple[str, ...],
    free: tuple[str, ...],
    hold_out: float,
    lead: float | None,
    others: tuple[Path, ...],
    since: Path | None,
    write: bool,
    plan: bool,
    within: float,
    kinds: tuple[str, ...],
    length: float | None,
    point: str | None,
    logged: tuple[str, ...],
    response: bool,
    input_column: str | None,
    output_column: str | None,
    instrument: str | None,
    orders: tuple[float, ...],
    speed: str | None,
    period: float | None,
    resolution: float | None,
) -> None:
    """Find values of SCENARIO from logs of its bench.

    With --plan: what to record for that, before there is a log. With --response: what LOG says without any
    scenario.

    Several logs of one run are brought onto one clock by a channel that two of them show. A fit writes
    fit.json and the picture fit into ./shaftloop-out/<scenario>/, a plan plan.json and the picture plan; a
    response writes response.json, response.csv and the picture response into ./shaftloop-out/<log>/. With
    --json nothing is written unless --out or --write is given. Where the log contradicts the bench the exit
    code is 1 and nothing is written to SCENARIO; it is 1, too, where the bench has changed since an earlier
    date, or no experiment makes the values sure enough.
    """
    if not plan:
        check_of_use(_GROUPS["What to record"], "of use with --plan alone; add it, or leave this out.")
    if plan:
        if more:
            raise click.UsageError("--plan comes before any log: leave LOG out.")
        of_logs = ("response", "lead", "others", "since", "log", "orders", "speed")
        check_of_use(of_logs, "--plan comes before any log: leave this out.")
        wishes: dict[str, Any] = {
            "within": within,
            "length": length,
            "logged": logged,
            "held_out": hold_out,
        }
        _plan(request, free, wishes | ({"kinds": kinds} if kinds else {}), point, write)
        return
    if not response:
        check_of_use(
            _GROUPS["The response of LOG"], "of use with --response alone; add it, or leave this out."
        )
        wishes = {"held_out": hold_out, "lead": lead or 0.0, "others": others, "since": since}
        _fit(request, more, log, free, wishes | {"orders": orders, "speed": speed}, write)
        return
    from shaftloop.analysis.logs.frequency import ResponseDemand
    from shaftloop.answers.identify import find_response
    from shaftloop.report.files import make_folder
    from shaftloop.report.identify import response as room

    without = ("settings", "free", "hold_out", "others", "since", "lead", "write")
    check_of_use(without, "of use with a scenario alone, which --response has not; leave this out.")
    if not input_column or not output_column:
        raise click.UsageError("--response needs the columns --from and --to.")
    demand = ResponseDemand(input_column, output_column, instrument, speed, orders, period, resolution)
    answer = find_response([Path(request.source), *more], demand, log)
    folder = request.folder(answer.name)
    if folder is not None:
        make_folder(folder)
    hand_over(answer, room, request, folder)


def _fit(
    request: Request,
    logs: tuple[Path, ...],
    options: tuple[str, ...],
    free: tuple[str, ...],
    wishes: dict[str, Any],
    write: bool,
) -> None:
    from shaftloop.errors import ScenarioError

    if not logs:
        raise click.UsageError("name the scenario and then a log: identify SCENARIO LOG --free PATH.")
    if wishes["held_out"] > 0.9:
        share = f"{100.0 * wishes['held_out']:g} %"
        raise ScenarioError([f"`hold_out` {share}: at most 90 % can be kept out of a fit"])
    scenario = request.read()
    if write:
        check_writable(scenario, request)
    from shaftloop.answers.identify import find_fit
    from shaftloop.report.files import make_folder
    from shaftloop.report.identify import fit as room
    from shaftloop.report.terminal import Progress

    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    answer = find_fit(scenario, logs, free, options=options, **wishes, watch=Progress)
    hand_over(answer, room, request, folder)
    # Last, so that whatever fails before leaves the file alone.
    if write and not answer.against:
        _write(answer)
    elif write:
        say("nothing is written to the scenario: the log contradicts the bench")
    if answer.against or answer.changed:
        raise click.exceptions.Exit(1)


def _plan(
    request: Request, free: tuple[str, ...], wishes: dict[str, Any], point: str | None, write: bool
) -> None:
    from shaftloop.answers.experiment import find_experiment
    from shaftloop.report.files import make_folder, together, write_text
    from shaftloop.report.identify import plan as room
    from shaftloop.report.terminal import Progress
    from shaftloop.scenario.shipped import is_shipped

    scenario = request.read()
    if write:
        check_as_stated(request)
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    answer = find_experiment(scenario, free, point=point, watch=Progress, **wishes)
    place = Path() if is_shipped(scenario.path) else scenario.path.parent
    written = [place / name for name in answer.files] if write else []
    with together():
        for path, text in zip(written, answer.files.values(), strict=False):
            write_text(path, text)
    hand_over(answer, room, request, folder, *written)
    if answer.plan.short:
        raise click.exceptions.Exit(1)


def _write(answer: "FitAnswer") -> None:
    from shaftloop.report.files import write_text
    from shaftloop.scenario.restate import restated

    scenario, told = answer.scenario, answer.told
    left = [e.free.path for e in answer.fit.estimates if e.free.path not in [value.path for value in told]]
    if told:
        write_text(scenario.path.resolve(), restated(scenario, told))
        say(f"written to {scenario.path}: {', '.join(value.path for value in told)}")
    if left:
        say(f"not written, of the log or not told by it alone: {', '.join(left)}")
