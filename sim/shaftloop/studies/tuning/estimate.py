"""What a tuning takes, estimated before it is paid.

Measured on benches drawn at random, one and two loops, and shipped ones with every structure; right within a
factor of about three.
"""

from collections.abc import Sequence

import numpy as np

from shaftloop.analysis.cost import MOST_BYTES, check_seconds, driver, patience, run_seconds
from shaftloop.analysis.freerunning import phase_variants
from shaftloop.analysis.hypermap import mapped_slots
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.sequence import longest_time
from shaftloop.engine import at
from shaftloop.engine.build import make_calendar, make_clock
from shaftloop.engine.steprule import Stepping, longest_step
from shaftloop.errors import CostError
from shaftloop.scenario.description import Description
from shaftloop.studies.tuning.plant import PHASES, loop_named

__all__ = ["check_tuning"]

_LOOP, _RUNS, _LONGEST = 0.7, 6.0, 3.2
"""Of a loop whatever the bench [s]; runs of its proof, about, and how long each is at most [s]."""
_POINTS = 100.0, 12.0
"""Of the grid of a loop, for every tick: whatever the bench, and per slot."""
_POINT, _CUBE, _TICK = 2.5e-4, 6e-6, 0.02
"""Of a structure without parameters of its own, at one plant: per point, cube of the slots, and tick. [s]"""
_MARGINS = 0.15
"""Of a judgement, besides the run. [s]"""
_SHAPED = 0.8
"""Times that a structure with parameters of its own takes."""
_PLAIN = ("kept", "pi", "pi_feedforward")
"""Structures without, or whose parameters act on the set-point alone."""
_HELD = 12_000.0
"""Memory per point, and again per point and plant. [byte]"""


def check_tuning(corners: Sequence[Description], loops: Sequence[str], structures: Sequence[str]) -> int:
    """Refuse a tuning that would take too long or too much memory; return how many judgements are left.

    A judgement of what the scenario expects of itself takes a run of its sequence, and margins.

    Parameters
    ----------
    corners : sequence of Description
        Of the tolerances, the nominal bench first.
    loops : sequence of str
        That are tuned.
    structures : sequence of str
        That are compared.

    Raises
    ------
    CostError
        With the estimate and what to change.
    """
    nominal = corners[0]
    model = build_bench(nominal, smooth=True).model
    clock = make_clock(model)
    period = clock.seconds(make_calendar(model, clock).hyperperiod)
    slots = float(len(mapped_slots(model)))
    plants = len(corners) * len(list(phase_variants(nominal, PHASES)))
    ticks = {name: max(round(float(loop_named(nominal, name).rate) * period), 1) for name in loops}
    most = max(ticks, key=lambda name: ticks[name])
    each = _POINTS[0] + _POINTS[1] * slots
    points = each * sum(ticks.values())
    _check_memory(each * ticks[most] * (1.0 + plants), most, ticks[most], period)
    states, ticking = len(loops) * _CUBE * slots**3, _POINT * points + _TICK * sum(ticks.values())
    plain = plants * (states + ticking)
    shaped = sum(name not in _PLAIN for name in structures)
    full = build_bench(nominal).model
    stepping = Stepping(at.ETD4, longest_step(full.plant, at.ETD4))
    parts = {
        "plain": plain,
        "shaped": shaped * _SHAPED * plain,
        "proof": len(loops) * (_LOOP + _RUNS * run_seconds(full, stepping, _LONGEST)),
    }
    advice = {
        "plain": _ticking(most, ticks[most], period),
        "shaped": f"{len(structures)} `structures` are compared: name fewer",
        "proof": driver(full, stepping) or "the bench has many tasks: lower rates",
    }
    dearest = max(parts, key=lambda part: parts[part])
    words = advice[dearest]
    if plants > 1 and dearest != "proof":
        words = f"{plants} corners and phases of clocks are kept at once: state fewer `tolerances`; {words}"
    elif dearest == "plain" and (ticks[most] == 1 or states > ticking):
        words = "delay lines and bodies make the states: shorten latencies, or join stiff parts into one"
    what = f"tuning {len(loops)} loops" if len(loops) > 1 else f"tuning loop {most}"
    total, duration = sum(parts.values()), longest_time(nominal)
    check_seconds(total, f"{what} at {plants * points:.3g} frequencies", words)
    run = run_seconds(full, stepping, duration) if np.isfinite(duration) else 0.0
    return int((patience() - total) / (run + _MARGINS))


def _check_memory(held: float, name: str, ticks: int, period: float) -> None:
    size = _HELD * held
    if size > MOST_BYTES:
        raise CostError(
            f"tuning loop {name} takes {size / 1e9:.3g} GB of memory; allowed: {MOST_BYTES / 1e9:g} GB",
            _ticking(name, ticks, period) + ", or state fewer `tolerances`",
        )


def _ticking(name: str, ticks: int, period: float) -> str:
    return (
        f"loop {name} ticks {ticks} times in a common period of {1e3 * period:.4g} ms: choose rates, phases "
        "and latencies with a shorter one"
    )
