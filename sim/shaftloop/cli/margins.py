"""`shaftloop margins`: stability and margins of the loops."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from shaftloop.cli.options import Request, hand_out, say, scenario_options
from shaftloop.cli.point import check_point, named_loops, read_torque

if TYPE_CHECKING:
    from shaftloop.analysis.injection import Measured
    from shaftloop.analysis.vary import Demand, Range
    from shaftloop.analysis.worstcase import LoopAnalysis, Worst
    from shaftloop.report.margins_results import LoopResult, MarginsResults
    from shaftloop.scenario.reading import Scenario

__all__ = ["margins"]


@click.command()
@scenario_options
@click.option("--loop", "loop", metavar="NAME", help="Only this loop; else all of them.")
@click.option("--speed", metavar="SPEED", help='Operating speed, e.g. "1500 rpm"; else of the sequence.')
@click.option("--torque", metavar="TORQUE", help='Operating torque, e.g. "80 N m"; else of the sequence.')
@click.option("--map", "with_map", is_flag=True, help="Also the worst case over the operating range.")
@click.option(
    "--vary",
    "varied",
    metavar="PATH=LO..HI[:N]",
    help="Also the margins against a value of the scenario, e.g. line.ts.latency=0ms..1ms.",
)
@click.option(
    "--inject",
    type=click.Choice(["multisine", "chirp", "stepped_sine"]),
    help="Also measure each loop by an injection in the time simulation.",
)
@click.option("--noise", is_flag=True, help="Inject into the full bench, with noise and quantiser.")
def margins(
    request: Request,
    loop: str | None,
    speed: str | None,
    torque: str | None,
    with_map: bool,
    varied: str | None,
    inject: str | None,
    noise: bool,
) -> None:
    """Show stability and margins of the loops of SCENARIO, a file or the name of a shipped one.

    Each loop is opened at its actuator command with all others closed. An unstable bench is a result
    (stable = false); only a limit that prevents the operating point is an error. Writes margins.json and, as
    SVG and PNG, bode and nyquist of each loop, poles, step and vary into ./shaftloop-out/<scenario>/. With
    --json nothing is written unless --out is given.
    """
    scenario = request.read()
    from shaftloop.analysis.interference import read_speed
    from shaftloop.analysis.vary import Demand, read_range
    from shaftloop.report.files import make_folder

    names = named_loops(scenario.description, () if loop is None else (loop,), "there are no margins")
    wanted = read_range(varied) if varied is not None else None
    demand = Demand(
        names,
        None if speed is None else read_speed(speed),
        None if torque is None else read_torque(torque),
    )
    check_point(scenario.description, demand.speed, demand.torque)
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    if noise and inject is None:
        raise click.UsageError("--noise goes with --inject")
    results = _run(scenario, request, demand, with_map, wanted)
    if inject is not None:
        results = _measured(results, inject, noise)
    _hand_over(results, request, folder)


def _run(
    scenario: "Scenario",
    request: Request,
    demand: "Demand",
    with_map: bool,
    wanted: "Range | None",
) -> "MarginsResults":
    from shaftloop.analysis.vary import vary
    from shaftloop.analysis.worstcase import analyse_loops, operating_map, worst_cases
    from shaftloop.report.margins_results import MarginsResults
    from shaftloop.report.tables import Progress

    variation = None
    if wanted is not None:
        with Progress("varying") as progress:
            variation = vary(scenario, request.settings, wanted, demand, progress)
    found = analyse_loops(scenario.description, demand.loops, demand.speed, demand.torque)
    points = operating_map(found) if with_map else ()
    loops = {
        name: _details(analysis, worst_cases(points, name) if points else ())
        for name, analysis in found.items()
    }
    return MarginsResults(scenario, loops, points, variation)


def _details(analysis: "LoopAnalysis", worst: "tuple[Worst, ...]") -> "LoopResult":
    """Return a loop with what takes further runs of its bench."""
    from shaftloop.analysis.budget import latency_budget
    from shaftloop.analysis.delay import delay_margin
    from shaftloop.analysis.stepresponse import step_response
    from shaftloop.report.margins_results import LoopResult

    bench, margins = analysis.bench, analysis.margins
    loop = bench.bench.loops[margins.loop]
    return LoopResult(
        analysis,
        step_response(bench, loop, margins.point, analysis.state, margins.largest_eigenvalue),
        delay_margin(analysis.description, margins),
        latency_budget(analysis.description, margins),
        worst,
    )


def _measured(results: "MarginsResults", kind: str, noise: bool) -> "MarginsResults":
    """Return the results with every stable loop measured by an injection."""
    from dataclasses import replace

    from shaftloop.analysis.injection import measure_response

    def measure(result: "LoopResult") -> "Measured | None":
        margins = result.margins
        if not margins.stable:
            say(f"warning: {margins.loop} is not measured: the bench is unstable")
            return None
        description, point = result.analysis.description, margins.point
        return measure_response(description, margins.loop, point, kind=kind, smooth=not noise)

    loops = {name: replace(result, measured=measure(result)) for name, result in results.loops.items()}
    return replace(results, loops=loops)


def _hand_over(results: "MarginsResults", request: Request, folder: Path | None) -> None:
    from shaftloop.report.documents import as_json
    from shaftloop.report.margins_results import margins_document, margins_warnings, write_margins
    from shaftloop.report.margins_tables import show_margins

    document = as_json(margins_document(results))
    files = write_margins(folder, results, document) if folder is not None else []
    for warning in margins_warnings(results):
        say(f"warning: {warning}")
    if request.json:
        hand_out(document)
    else:
        show_margins(results, files)
