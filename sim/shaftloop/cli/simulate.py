"""`shaftloop simulate`: run a scenario."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from shaftloop.cli.options import Request, hand_out, say, scenario_options

if TYPE_CHECKING:
    from shaftloop.analysis.overlay import Measurement
    from shaftloop.report.results import Results
    from shaftloop.scenario.reading import Scenario

__all__ = ["simulate"]


_FILE = click.Path(path_type=Path)


@click.command()
@scenario_options
@click.option("--traces", type=_FILE, metavar="FILE", help="Recorded channels: .npz, .csv or .parquet.")
@click.option("--verify", is_flag=True, help="Repeat with half the step and report how the metrics change.")
@click.option("--overlay", type=_FILE, metavar="FILE", help="Measured run (CSV) to compare with.")
@click.option("--overlay-offset", metavar="TIME", help='Added to the measured time, e.g. "12 ms".')
@click.option(
    "--method", type=click.Choice(["etd4", "rk4"]), default="etd4", show_default=True, help="Stepper."
)
def simulate(
    request: Request,
    traces: Path | None,
    verify: bool,
    overlay: Path | None,
    overlay_offset: str | None,
    method: str,
) -> None:
    """Run SCENARIO, a file or the name of a shipped one.

    Writes metrics.json, traces.npz, overview and energy as SVG and PNG into ./shaftloop-out/<scenario>/.
    With --json nothing is written unless --out or --traces is given.
    """
    if overlay_offset is not None and overlay is None:
        raise click.UsageError("--overlay-offset shifts a measured run: name it with --overlay.")
    scenario = request.read()
    from shaftloop.analysis.overlay import read_measurement, read_offset
    from shaftloop.report.files import make_folder
    from shaftloop.report.traces import check_traces

    # All that can be wrong with the command line shows before the run, not after it.
    offset = read_offset(overlay_offset) if overlay_offset is not None else 0.0
    measurement = read_measurement(overlay) if overlay is not None else None
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    if traces is not None:
        check_traces(traces)
    results = _run(scenario, method, verify, measurement, offset)
    _hand_over(results, request, folder, traces)


def _run(
    scenario: "Scenario", method: str, verify: bool, measurement: "Measurement | None", offset: float
) -> "Results":
    from shaftloop.analysis import verify as proof
    from shaftloop.analysis.metrics import metrics
    from shaftloop.analysis.overlay import lay_over
    from shaftloop.analysis.simulation import simulate as run
    from shaftloop.report.results import Results
    from shaftloop.report.tables import Progress

    description = scenario.description
    with Progress("simulating") as progress:
        simulation = run(description, method=method, progress=progress)
    warnings = proof.check_energy(simulation)
    for warning in warnings:
        say(f"warning: {warning}")
    verification = None
    if verify:
        with Progress("once more with finer steps") as progress:
            verification = proof.verify(description, simulation, progress=progress)
    return Results(
        scenario,
        simulation,
        metrics(simulation),
        (*scenario.warnings, *warnings),
        verification,
        lay_over(simulation, measurement, offset) if measurement is not None else None,
    )


def _hand_over(results: "Results", request: Request, folder: Path | None, traces: Path | None) -> None:
    from shaftloop.report.documents import as_json, simulate_document
    from shaftloop.report.results import write_folder
    from shaftloop.report.tables import show_results
    from shaftloop.report.traces import write_traces

    document = as_json(simulate_document(results))
    files = write_folder(folder, results, document) if folder is not None else []
    if traces is not None:
        write_traces(traces, results.simulation)
        files.append(traces)
    if request.json:
        hand_out(document)
    else:
        show_results(results, files)
