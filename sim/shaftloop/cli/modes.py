"""`shaftloop modes`: natural frequencies of the line and the speeds at which they are excited."""

import click

from shaftloop.cli.options import Request, hand_out, scenario_options

__all__ = ["modes"]


@click.command()
@scenario_options
@click.option("--speed", metavar="SPEED", help='Operating speed, e.g. "1500 rpm"; else of the sequence.')
def modes(request: Request, speed: str | None) -> None:
    """Show the torsional modes of SCENARIO, a file or the name of a shipped one.

    Writes modes.json, modes and interference as SVG and PNG into ./shaftloop-out/<scenario>/. With --json
    nothing is written unless --out is given.
    """
    scenario = request.read()
    from shaftloop.analysis.interference import interference, read_speed
    from shaftloop.analysis.modes import find_modes, mechanics
    from shaftloop.analysis.operating import operating_point
    from shaftloop.bench.assemble import build_bench
    from shaftloop.report.documents import as_json
    from shaftloop.report.files import make_folder
    from shaftloop.report.modes_results import ModesResults, modes_document, show_modes, write_modes

    stated = None if speed is None else read_speed(speed)
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    description = scenario.description
    bench = build_bench(description, smooth=True)
    line = mechanics(bench)
    found = find_modes(line)
    turning = operating_point(bench, stated).speed
    results = ModesResults(scenario, line, found, interference(description, found, turning))
    document = as_json(modes_document(results))
    files = write_modes(folder, results, document) if folder is not None else []
    if request.json:
        hand_out(document)
    else:
        show_modes(results, files)
