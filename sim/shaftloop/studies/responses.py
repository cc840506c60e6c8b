"""Named responses of a bench, for checks and studies, e.g. ``simulate.trips`` and ``margins.torque.ms``.

A name begins with its source, an entry of `SOURCES`. A source runs once per evaluation, and only where one
of its names is asked for.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from shaftloop.errors import ScenarioError, ShaftloopError, SimulationError
from shaftloop.figures import Figure, by_name, grouped
from shaftloop.scenario.description import Description
from shaftloop.scenario.fields import nearest, shown
from shaftloop.studies.figures import (
    LOOP_FIGURES,
    MAP_FIGURES,
    MODE_FIGURES,
    loop_figures,
    map_figures,
    mode_figure,
    mode_figures,
)

if TYPE_CHECKING:
    from shaftloop.analysis.lanes import Outcome
    from shaftloop.analysis.simulation import Simulation

__all__ = ["OVERLOADED", "SOURCES", "ResponseSource", "evaluate", "known", "require", "simulates"]

_SIMULATE = "simulate"
"""Source of everything that a run of the bench says."""
OVERLOADED = "simulate.beyond_limit"
"""Figure that is looked at wherever benches are run, whether asked for or not."""


_JOINT = "joint"
"""Stands for the name of a loop where all are judged as one."""


@dataclass(frozen=True)
class ResponseSource:
    """One kind of response; names here are those behind its prefix."""

    known: Callable[[Description], dict[str, Figure]]
    """Figures of a bench by name, not looked for yet; simulates nothing."""
    evaluate: Callable[[Description, Sequence[str]], dict[str, Figure]]
    """At least the responses asked for; raises `SimulationError` where it fails."""


def known(description: Description, names: Iterable[str] | None = None) -> dict[str, Figure]:
    """Return the responses that a bench has, by name; nothing is simulated.

    Only the sources with which `names` begin are looked at; some take a second to say what they have.
    """
    prefixes = SOURCES if names is None else {name.partition(".")[0] for name in names}
    return {
        f"{prefix}.{name}": entry
        for prefix, source in SOURCES.items()
        if prefix in prefixes
        for name, entry in source.known(description).items()
    }


def require(description: Description, names: Iterable[str]) -> dict[str, Figure]:
    """Return what names, ``margins.torque.ms``, stand for; a ScenarioError names the nearest."""
    names = list(dict.fromkeys(names))
    have = known(description, names)
    wrong = [name for name in names if name not in have]
    if wrong:
        have = known(description)
        raise ScenarioError([_unknown(name, have) for name in wrong])
    return {name: have[name] for name in names}


def evaluate(
    description: Description, names: Sequence[str], outcome: "Outcome | None" = None
) -> dict[str, Figure]:
    """Return responses of a bench by name, each source run at most once.

    A source that fails makes its responses `failed`; the other sources are evaluated all the same. The
    outcome is that of the bench, where it has been run already.

    Raises
    ------
    ScenarioError
        Where the bench has no such response, with the nearest one.
    """
    wanted: dict[str, list[str]] = {}
    for name in dict.fromkeys(names):
        prefix, _, rest = name.partition(".")
        wanted.setdefault(prefix, []).append(rest)
    found: dict[str, Figure] = {}
    for prefix, rests in wanted.items():
        if prefix not in SOURCES:
            require(description, names)
        found |= _evaluate(description, prefix, rests, outcome)
    if missing := [name for name in names if name not in found]:
        require(description, missing)
    return {name: found[name] for name in dict.fromkeys(names)}


def simulates(names: Iterable[str]) -> bool:
    """Return whether a run in time is needed for some responses."""
    return any(name.startswith(f"{_SIMULATE}.") for name in names)


def _evaluate(
    description: Description, prefix: str, names: Sequence[str], outcome: "Outcome | None"
) -> dict[str, Figure]:
    try:
        if outcome is not None and prefix == _SIMULATE:
            found = _of_outcome(description, outcome, names)
        else:
            found = SOURCES[prefix].evaluate(description, names)
    except SimulationError as error:
        have = require(description, [f"{prefix}.{name}" for name in names])
        reason = str(error).replace("\n", "; ")
        return {name: entry.absent(reason, failed=True) for name, entry in have.items()}
    return {f"{prefix}.{name}": figure for name, figure in found.items()}


def _unknown(name: str, have: dict[str, Figure]) -> str:
    hint = nearest(name, have)
    if not hint:
        hint = f"; known sources: {', '.join(SOURCES)}"
    return f"{shown(name)} is no response of this bench{hint}"


def _simulate_known(description: Description) -> dict[str, Figure]:
    from shaftloop.analysis import atend, frames, grid, heatfigures, ratings, timeline, turning
    from shaftloop.analysis.metrics import LOSS_PREFIX, METRICS
    from shaftloop.bench.assemble import build_bench

    figures = list(METRICS)
    bench = build_bench(description, smooth=True)
    network = bench.model.plant.network
    for meter in sorted({meter for balance in network.balances for meter in balance.losses}):
        entry = network.meters[meter]
        figures.append(Figure(LOSS_PREFIX + entry.name, "J", entry.meaning, better="lower"))
    further = (
        figure
        for module in (grid, ratings, heatfigures, atend, timeline, turning, frames)
        for figure in module.known_figures(bench)
    )
    return by_name([*figures, *further, *_counted(description)])


def _counted(description: Description) -> list[Figure]:
    """Return what is counted in a run."""
    return [
        Figure("trips", "1", "interlocks that tripped", better="lower"),
        *(
            Figure(
                f"trips.{limit.name}",
                "1",
                f"1 where interlock {limit.name} tripped, else 0",
                better="lower",
            )
            for limit in description.limit
        ),
        Figure("beyond_limit", "1", "parts taken beyond a limit that they state", better="lower"),
        Figure(
            "not_settled", "1", "settle steps of the sequence that ran into their timeout", better="lower"
        ),
    ]


def _simulate(description: Description, names: Sequence[str]) -> dict[str, Figure]:
    from shaftloop.analysis.simulation import simulate

    return _of_run(description, simulate(description), names)


def _of_outcome(description: Description, outcome: "Outcome", names: Sequence[str]) -> dict[str, Figure]:
    if outcome.simulation is None:
        assert outcome.error is not None, "a run that left nothing says why"
        raise outcome.error
    return _of_run(description, outcome.simulation, names)


def _of_run(description: Description, simulation: "Simulation", names: Sequence[str]) -> dict[str, Figure]:
    from shaftloop.analysis.metrics import metrics
    from shaftloop.analysis.ratings import loads
    from shaftloop.analysis.verify import check_energy

    check_energy(simulation)
    tripped = [event.name for event in simulation.events if event.kind == "tripped"]
    counts = {"trips": len(tripped)} | {
        f"trips.{entry.name}": tripped.count(entry.name) for entry in description.limit
    }
    if "beyond_limit" in names:
        counts["beyond_limit"] = len({load.part for load in loads(simulation) if load.beyond_limit})
    counts["not_settled"] = sum(event.kind == "not_settled" for event in simulation.events)
    counted = by_name(_counted(description))
    others = [name for name in names if name not in counts]
    return metrics(simulation, others) | {name: counted[name].found(count) for name, count in counts.items()}


def _loops(description: Description) -> list[str]:
    """Return the loops that have margins: those that are no limiters."""
    return [loop.name for loop in description.loop if loop.limiter_of is None]


def _per_loop(figures: dict[str, Figure]) -> Callable[[Description], dict[str, Figure]]:
    def names(description: Description) -> dict[str, Figure]:
        found: dict[str, Figure] = {}
        for loop in _loops(description):
            found |= grouped(loop, figures)
        return found

    return names


def _margins_known(description: Description) -> dict[str, Figure]:
    from shaftloop.analysis.joint import known_figures

    joint = grouped(_JOINT, by_name(known_figures())) if len(_loops(description)) > 1 else {}
    return joint | _per_loop(LOOP_FIGURES)(description)


def _margins(description: Description, names: Sequence[str]) -> dict[str, Figure]:
    from shaftloop.analysis.joint import joint_figures, joint_margins
    from shaftloop.analysis.worstcase import analyse_loops

    wanted = [name.partition(".") for name in names]
    together = _JOINT in {name for name, _, _ in wanted}
    loops = [loop for loop in _loops(description) if together or loop in {name for name, _, _ in wanted}]
    found: dict[str, Figure] = {}
    analyses = analyse_loops(description, loops) if loops else {}
    if together:
        first = next(iter(analyses.values()))
        each = {loop: analysis.margins for loop, analysis in analyses.items()}
        joint = joint_margins(first.bench, first.state, each)
        found |= {} if joint is None else grouped(_JOINT, by_name(joint_figures(joint)))
    for loop, analysis in analyses.items():
        figures = [figure for name, _, figure in wanted if name == loop]
        found |= grouped(loop, loop_figures(analysis, figures))
    return found


def _map(description: Description, names: Sequence[str]) -> dict[str, Figure]:
    from shaftloop.analysis.worstcase import analyse_loops, operating_map

    wanted = {name.partition(".")[0] for name in names}
    loops = [loop for loop in _loops(description) if loop in wanted]
    found: dict[str, Figure] = {}
    points = operating_map(analyse_loops(description, loops)) if loops else ()
    for loop in loops:
        found |= grouped(loop, map_figures(points, loop))
    return found


def _modes_known(description: Description) -> dict[str, Figure]:
    from shaftloop.bench.assemble import build_bench

    count = len(build_bench(description, smooth=True).line.edges)
    return {
        f"{number}.{name}": mode_figure(name, number)
        for number in range(1, count + 1)
        for name in MODE_FIGURES
    }


def _modes(description: Description, names: Sequence[str]) -> dict[str, Figure]:
    from shaftloop.analysis.modes import find_modes
    from shaftloop.analysis.tangent import line_at

    modes = find_modes(line_at(description)[0])
    missing = f"only {len(modes)} modes of the line oscillate"
    known = _modes_known(description)
    return {name: entry.absent(missing) for name, entry in known.items()} | mode_figures(modes)


@lru_cache(maxsize=1)
def _fidelity_figures(description: Description) -> dict[str, Figure]:
    from shaftloop.analysis.fidelity.figures import figures
    from shaftloop.analysis.fidelity.transfer import fidelity

    return figures(fidelity(description))


def _fidelity_known(description: Description) -> dict[str, Figure]:
    """Return the figures of the analysis, which alone knows them; none where it cannot be made."""
    try:
        return _fidelity_figures(description)
    except ShaftloopError:
        return {}


def _fidelity(description: Description, names: Sequence[str]) -> dict[str, Figure]:
    return _fidelity_figures(description)


def _faults_known(description: Description) -> dict[str, Figure]:
    from shaftloop.studies.faults import fault_figures, standard_faults

    return fault_figures(description, standard_faults(description))


def _faults(description: Description, names: Sequence[str]) -> dict[str, Figure]:
    from shaftloop.studies.faults import found_figures, run_faults, standard_faults

    chosen = standard_faults(description)
    if "damaging" not in names:
        chosen = [fault for fault in chosen if any(name.startswith(f"{fault.name}.") for name in names)]
    return found_figures(description, run_faults(description, chosen))


def _lateral_known(description: Description) -> dict[str, Figure]:
    from shaftloop.analysis.lateral import bending_figures, find_bending

    return bending_figures(find_bending(description))


def _gains_known(description: Description) -> dict[str, Figure]:
    from shaftloop.studies.checks.gains import gain_figures

    return gain_figures(description)


SOURCES: dict[str, ResponseSource] = {
    _SIMULATE: ResponseSource(_simulate_known, _simulate),
    "margins": ResponseSource(_margins_known, _margins),
    "map": ResponseSource(_per_loop(MAP_FIGURES), _map),
    "modes": ResponseSource(_modes_known, _modes),
    "fidelity": ResponseSource(_fidelity_known, _fidelity),
    "faults": ResponseSource(_faults_known, _faults),
    "lateral": ResponseSource(_lateral_known, lambda description, _: _lateral_known(description)),
    "gains": ResponseSource(_gains_known, lambda description, _: _gains_known(description)),
}
"""Everything that has responses, by the first word of their names."""
