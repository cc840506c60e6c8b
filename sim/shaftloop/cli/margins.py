"""`shaftloop margins`: stability and margins of the loops."""

import click

from shaftloop.cli.options import Request, check_of_use, hand_over, say, scenario_options
from shaftloop.cli.quantities import at_option, point_options, tolerance_option

__all__ = ["margins"]


@click.command()
@scenario_options
@click.option("--loop", "loops", metavar="NAME", multiple=True, help="Only this loop; else all; repeatable.")
@point_options
@click.option("--map", "everywhere", is_flag=True, help="Also the worst case over the operating range.")
@click.option(
    "--vary",
    metavar="PATH=LO..HI[:N]",
    help="Also the margins against a value of the scenario, e.g. line.ts.latency=0ms..1ms.",
)
@tolerance_option("Also at all corners")
@at_option("Also what each loop does at this frequency, e.g. '20 Hz'; repeatable.")
@click.option(
    "--inject",
    type=click.Choice(["multisine", "chirp", "stepped_sine"]),
    help="Also measure each loop by an injection in the time simulation.",
)
@click.option("--noise", is_flag=True, help="Inject into the full bench, with noise and quantiser.")
def margins(  # noqa: PLR0913  (one argument per option)
    request: Request,
    loops: tuple[str, ...],
    speed: float | None,
    torque: float | None,
    everywhere: bool,
    vary: str | None,
    tolerances: tuple[str, ...],
    at: tuple[float, ...],
    inject: str | None,
    noise: bool,
) -> None:
    """Show stability and margins of the loops of SCENARIO, a file or the name of a shipped one.

    Each loop is opened at its actuator command with all others closed; of a bench without a loop the poles
    are shown. An unstable bench is a result (stable = false); only a limit that prevents the operating point
    is an error. Writes margins.json and the pictures bode and nyquist of each loop, poles, step and vary into
    ./shaftloop-out/<scenario>/. With --json nothing is written unless --out is given.
    """
    if inject is None:
        check_of_use(["noise"], "of use with --inject alone; add it, or leave this out.")
    scenario = request.read()
    from shaftloop.answers.margins import find_margins, with_injection
    from shaftloop.answers.point import check_point, named_loops
    from shaftloop.report.files import make_folder
    from shaftloop.report.margins import room
    from shaftloop.report.terminal import Progress
    from shaftloop.studies.vary import MarginsDemand, read_range

    needs = "there are no margins" if everywhere or vary or tolerances or inject or at else ""
    names = named_loops(scenario.description, loops, needs)
    wanted = read_range(vary) if vary is not None else None
    demand = MarginsDemand(names, speed, torque)
    check_point(scenario.description, speed, torque)
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    with Progress("finding margins"):
        answer = find_margins(
            scenario,
            demand,
            everywhere=everywhere,
            varied=wanted,
            at=at,
            tolerances=tolerances,
            watch=Progress,
        )
    if inject is not None:
        for name, found in answer.loops.items():
            if not found.margins.stable:
                say(f"warning: {name} is not measured: the bench is unstable")
        with Progress("injecting"):
            answer = with_injection(answer, inject, noise=noise)
    hand_over(answer, room, request, folder)
