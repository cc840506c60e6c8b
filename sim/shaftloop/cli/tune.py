"""`shaftloop tune`: gains of the loops, with the evidence."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from shaftloop.cli.options import Grouped, Request, check_writable, hand_over, say, scenario_options
from shaftloop.cli.quantities import QuantityType, point_options, tolerance_option

if TYPE_CHECKING:
    from shaftloop.answers.tuning import TuneAnswer
    from shaftloop.scenario.reading import Scenario
    from shaftloop.studies.tuning.choosing import TuningDemand

__all__ = ["tune"]

_STRUCTURES = (
    "kept",
    "pi",
    "pi_low_pass",
    "pi_notch",
    "pi_two_notches",
    "pi_feedforward",
    "pid",
    "active_damping",
    "active_damping_high_pass",
    "disturbance_observer",
    "predictor",
)


def _above_one(_: click.Context, __: click.Parameter, value: float | None) -> float | None:
    if value is not None and not 1.0 < value <= 100.0:
        raise click.BadParameter(f"{value:g}; choose above 1, up to 100")
    return value


def _positive(_: click.Context, __: click.Parameter, value: float | None) -> float | None:
    if value is not None and not 0.0 < value < float("inf"):
        raise click.BadParameter(f"{value:g}; choose above 0")
    return value


_GROUPS = {
    "What is tuned": ("loops", "structures", "objective"),
    "Bounds": ("ms", "mt", "bandwidth", "mode_damping", "noise_gain", "command_noise", "may_clamp"),
    "Where they hold": ("speed", "torque", "tolerances", "settings"),
    "What is written": ("write", "despite_expectations", "out", "as_json", "pictures"),
}


@click.command(cls=Grouped, groups=_GROUPS)
@scenario_options
@click.option(
    "--loop", "loops", metavar="NAME", multiple=True, help="Loop to tune; repeat to tune several together."
)
@click.option(
    "--objective",
    type=click.Choice(["disturbance", "setpoint", "integral_gain"]),
    default="disturbance",
    show_default=True,
    help="Least |error| after a step of torque on the command or of the set-point, or the largest ki.",
)
@click.option(
    "--ms",
    default=1.6,
    show_default=True,
    callback=_above_one,
    help="Largest Ms (peak sensitivity), |1/(1 + L)|.",
)
@click.option("--mt", default=1.4, show_default=True, callback=_above_one, help="Largest Mt, |L/(1 + L)|.")
@click.option(
    "--bandwidth",
    type=QuantityType("Hz", "25 Hz", above_zero=True),
    help='Least frequency at which |T| has fallen by 3 dB, e.g. "25 Hz".',
)
@click.option(
    "--mode-damping",
    "mode_damping",
    metavar="[MODE=]RATIO",
    multiple=True,
    help="Least damping ratio of every shaft mode, of one by number (1=0.1), or of a band "
    '("60 Hz..100 Hz=0.1"); repeatable.',
)
@click.option(
    "--noise-gain",
    type=float,
    callback=_positive,
    help="Largest rms of the command per rms of noise on the reading, SI units.",
)
@click.option(
    "--command-noise",
    type=QuantityType("N m", "1 N m", above_zero=True),
    help='Largest rms of the command by noise and steps of all channels that are used, e.g. "1 N m".',
)
@click.option("--may-clamp", is_flag=True, help="The largest step of the sequence may reach the clamp.")
@click.option(
    "--structure",
    "structures",
    type=click.Choice([*_STRUCTURES, "all"]),
    multiple=True,
    metavar="STRUCTURE",
    help=f"Control structure: {', '.join(_STRUCTURES)}, or all; repeat to compare. Default: same "
    "controller, new gains.",
)
@tolerance_option("The bounds hold at all corners")
@point_options
@click.option("--write", is_flag=True, help="Write the gains into SCENARIO, comments and layout kept.")
@click.option(
    "--despite-expectations",
    is_flag=True,
    help="With --write: also where what the scenario expects of itself does not hold.",
)
def tune(
    request: Request, tolerances: tuple[str, ...], write: bool, despite_expectations: bool, **wanted: Any
) -> None:
    """Find the gains of the loops of SCENARIO, a file or the name of a shipped one, and prove them.

    The result keeps its bounds by the functions of the margins command, is compared with the rules of the
    trade and simulated with noise, quantiser and clamps. The first line says whether the gains may be used:
    they must keep all bounds (else the nearest trade-off is shown) and hold what the scenario expects of
    itself. Where not, the exit code is 1 and nothing is written to SCENARIO. Writes tune.json and the
    pictures tune and proof of each loop into ./shaftloop-out/<scenario>/. With --json nothing is written
    unless --out or --write is given.

    Raises
    ------
    SimulationError
        Where the bench has no steady state at the operating point.
    """
    scenario = request.read()
    from shaftloop.answers.tuning import find_gains
    from shaftloop.errors import ScenarioError
    from shaftloop.report.files import make_folder
    from shaftloop.report.terminal import Progress
    from shaftloop.report.tune import room

    demand = _demand(scenario, wanted)
    if write:
        check_writable(scenario, request)
    elif despite_expectations:
        raise ScenarioError(["`despite_expectations`: of use with `write` alone; add it or leave this out"])
    folder = request.folder(scenario.name)
    if folder is not None:
        make_folder(folder)
    answer = find_gains(scenario, demand, tolerances, watch=Progress)
    tuning = answer.tuning
    hand_over(answer, room, request, folder)
    # Last, so that whatever fails before leaves the file alone.
    if write and (tuning.recommended or (tuning.feasible and despite_expectations)):
        _write(scenario, answer)
    elif write:
        way = "; to write them all the same add `despite_expectations`" if tuning.feasible else ""
        say(f"nothing is written to the scenario, {answer.verdict}{way}")
    if not tuning.recommended:
        raise click.exceptions.Exit(1)


def _demand(scenario: "Scenario", wanted: dict[str, Any]) -> "TuningDemand":
    """Return what is asked for."""
    from shaftloop.answers.point import check_point, named_loops
    from shaftloop.errors import ScenarioError
    from shaftloop.studies.tuning.bounds import Bounds
    from shaftloop.studies.tuning.choosing import TuningDemand
    from shaftloop.studies.tuning.modedamping import read_mode_damping

    names = named_loops(scenario.description, wanted["loops"], "there is nothing to tune", tuned=True)
    if not wanted["loops"] and len(names) > 1:
        raise ScenarioError([f"`loops`: say which loop to tune, {' or '.join(names)}, or name both"])
    point = wanted["speed"], wanted["torque"]
    check_point(scenario.description, *point)
    chosen = _STRUCTURES if "all" in wanted["structures"] else wanted["structures"]
    return TuningDemand(
        names,
        wanted["objective"],
        Bounds(
            wanted["ms"],
            wanted["mt"],
            wanted["noise_gain"],
            wanted["command_noise"],
            wanted["bandwidth"],
        ),
        tuple(name for name in _STRUCTURES if name in chosen) or ("kept",),
        tuple(read_mode_damping(text) for text in wanted["mode_damping"]),
        wanted["may_clamp"],
        *point,
    )


def _write(scenario: "Scenario", answer: "TuneAnswer") -> None:
    from shaftloop.cautions import cautions
    from shaftloop.report.files import write_text
    from shaftloop.scenario.tomltext import with_cautions
    from shaftloop.studies.tuning.rewrite import replaced, rewritten

    names = tuple(answer.tuning.loops)
    old = [loop for loop in scenario.description.loop if loop.name in names]
    new = [loop for loop in answer.tuning.description.loop if loop.name in names]
    path: Path = scenario.path.resolve()
    write_text(path, with_cautions(rewritten(scenario.text, old, new), cautions("gains")))
    say(f"written to {scenario.path}: {', '.join(f'loop {name}' for name in names)}")
    stale = replaced(old, new)
    if stale:
        say(f"changed or removed there: {', '.join(stale)}; comments beside them may no longer be true")
