"""`shaftloop simulate`: run a scenario."""

from pathlib import Path

import click

from shaftloop.cli.options import Request, check_of_use, hand_over, log_option, scenario_options
from shaftloop.cli.quantities import QuantityType

__all__ = ["simulate"]


_FILE = click.Path(path_type=Path)


@click.command()
@scenario_options
@click.option("--traces", type=_FILE, metavar="FILE", help="Recorded channels: .npz, .csv or .parquet.")
@click.option("--verify", is_flag=True, help="Repeat with half the step and report how the metrics change.")
@click.option("--overlay", type=_FILE, metavar="FILE", help="Measured run: CSV, NPZ, Parquet or MDF.")
@log_option
@click.option(
    "--overlay-offset",
    "offset",
    type=QuantityType("s", "12 ms"),
    help='Added to the measured time, e.g. "12 ms".',
)
@click.option(
    "--allow-overload", is_flag=True, help="Exit 0 although a part is taken beyond a limit that it states."
)
@click.option(
    "--method", type=click.Choice(["etd4", "rk4"]), default="etd4", show_default=True, help="Stepper."
)
def simulate(
    request: Request,
    traces: Path | None,
    verify: bool,
    overlay: Path | None,
    log: tuple[str, ...],
    offset: float | None,
    allow_overload: bool,
    method: str,
) -> None:
    """Run SCENARIO, a file or the name of a shipped one.

    Writes metrics.json, traces.npz and the pictures overview and energy into ./shaftloop-out/<scenario>/.
    With --json nothing is written unless --out or --traces is given. Exit 1 where a part is taken beyond a
    torque or speed that it states as its limit, unless --allow-overload.
    """
    if overlay is None:
        check_of_use(["offset", "log"], "of use with --overlay alone; add it, or leave this out.")
    scenario = request.read()
    from shaftloop.analysis.overlay import read_measurement
    from shaftloop.answers.run import find_run
    from shaftloop.report.files import make_folder
    from shaftloop.report.run import room
    from shaftloop.report.run.tables import speed
    from shaftloop.report.run.traces import check_traces, write_traces
    from shaftloop.report.terminal import Progress, print_line

    # All that can be wrong with the command line shows before the run, not after it.
    measurement = read_measurement(overlay, log) if overlay is not None else None
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    if traces is not None:
        check_traces(traces)
    answer = find_run(
        scenario, method=method, finer=verify, measurement=measurement, offset=offset or 0.0, watch=Progress
    )
    if traces is not None:
        write_traces(traces, answer.simulation)
    hand_over(answer, room, request, folder, *([] if traces is None else [traces]))
    if not request.json:
        print_line(speed(answer.simulation))
    if answer.overloads and not allow_overload:
        raise click.exceptions.Exit(1)
