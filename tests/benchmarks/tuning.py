"""Measure how near the gains of the tuner come to those of a long global search; nothing here is a test.

``python tests/benchmarks/tuning.py --benches 30`` draws benches at random, tunes loop torque of each in every
structure, and searches the same parameters with the same cost and bounds by differential evolution. It
prints per structure the worst and the median cost of the tuner over the least that either found, and the
CPU time that the tuner took. ``--structure`` and ``--first`` pick a piece, ``--results`` keeps what is done.
"""

import argparse
import json
import os
import sys
import time
from itertools import product
from pathlib import Path
from typing import NamedTuple

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from scipy.optimize import differential_evolution

sys.path[:0] = [str(Path(__file__).parents[1])]

from rigs import Table, coupling, describe, disc, sensor, servo, speed_loop, step, torque_loop
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop.studies.tuning.choosing import Tuner, TuningDemand
from shaftloop.studies.tuning.family import Family
from shaftloop.studies.tuning.figures import sensitivity_peaks
from shaftloop.studies.tuning.plant import loop_named
from shaftloop.studies.tuning.search import Search
from shaftloop.studies.tuning.structures import STRUCTURES
from shaftloop.studies.tuning.tolerance import Corner

_NOTHING = 50.0
"""Stands for the logarithm of the cost where no gains keep the bounds."""
_PENALTY = 10.0
"""Rise of that logarithm per share by which a bound is exceeded."""
_REACH = 6.0
"""How far beyond the starts of a structure the global search looks, in first steps."""


class Cell(NamedTuple):
    """One structure on one bench."""

    structure: str
    bench: int
    ratio: float | None
    """Cost of the tuner over the least that either found; nothing where no gains keep the bounds."""
    taken: float
    """CPU time of the tuner. [s]"""


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def drawn(number: int) -> Description:
    """Return a bench drawn at random: two machines, one or two bodies, a sensor, delays."""
    draw = np.random.default_rng(number)

    def log(low: float, high: float) -> float:
        return float(np.exp(draw.uniform(np.log(low), np.log(high))))

    def machine(name: str) -> Table:
        lag = {"time_constant": f"{log(0.2, 3.0):.3f} ms", "rate": "4 kHz"}
        return servo(name, log(0.01, 0.1), **lag, drag={"viscous": f"{log(1e-3, 0.05):.4f} N m s/rad"})

    line = [machine("drive")]
    for i in range(int(draw.integers(1, 3))):
        stiffness = log(3e3, 8e4)
        line += [
            coupling(f"c{i}", stiffness, damping=f"{stiffness * log(1e-5, 1e-4):.4f} N m s/rad"),
            disc(f"b{i}", log(5e-4, 3e-3)),
        ]
    stiffness, latency = log(5e3, 8e4), int(draw.integers(0, 4))
    filtered = {"kind": "bessel", "order": 2, "cutoff": f"{log(300.0, 2000.0):.1f} Hz"}
    damping = f"{stiffness * log(5e-6, 5e-5):.4f} N m s/rad"
    line += [
        sensor(
            "ts", stiffness, damping=damping, filter=filtered, sampling="4 kHz", latency=f"{latency} samples"
        ),
        machine("load"),
    ]
    rate = f"{draw.choice([1, 2, 4])} kHz"
    windup = str(draw.choice(["conditional", "back_calculation"]))
    controlled = {"kp": 0.01, "ki": "5 1/s", "feedforward": 0.0, "anti_windup": windup, "rate": rate}
    delay = f"{int(draw.integers(1, 3))} samples"
    turning = log(0.5, 6.0)
    loops = [
        speed_loop("drive", turning, 10.0 * turning, rate="2 kHz"),
        torque_loop("load", "ts", **controlled, output_latency=delay),
    ]
    sequence = [step("speed", "500 rpm"), step("torque", "5 N m"), {"do": "hold", "time": "0.1 s"}]
    return describe({"line": line, "loop": loops, "sequence": sequence})


def long_search(search: Search, family: Family, rounds: int) -> float:
    """Return the least cost that differential evolution finds over shape and kp, ki in closed form."""
    starts, steps = np.array(family.starts), np.array(family.steps)
    low, high = starts.min(axis=0) - _REACH * steps, starts.max(axis=0) + _REACH * steps
    bounds = [*zip(low, high, strict=True), (np.log(1e-4), np.log(20.0))]

    def cost(unknowns: np.ndarray) -> float:
        shape = family.shape(np.array(unknowns[:-1]))
        kp = np.exp(unknowns[-1:])
        near = None if shape is None else search._among(shape, search._parts(shape), kp, 6, np.inf)
        if near is None or not near.cost > 0.0:
            return _NOTHING
        if near.cost >= admitted[-1]:
            return float(np.log(near.cost))
        # Between the points of the grid a bound may be exceeded: what is, counts for nothing in the end.
        ms, mt = sensitivity_peaks(search.plants, near.loop)
        beyond = max(ms.value / search.bounds.ms, mt.value / search.bounds.mt, 1.0) - 1.0
        if beyond <= 0.0 and search.is_stable(near.loop):
            admitted.append(near.cost)
        return float(np.log(near.cost)) + _PENALTY * beyond

    admitted = [float("inf")]
    differential_evolution(
        cost, bounds, maxiter=rounds, popsize=12, tol=1e-5, rng=1, polish=False, init="latinhypercube"
    )
    return admitted[-1]


def measure(number: int, name: str, rounds: int) -> Cell | None:
    """Return what tuner and global search find on one bench in one structure, nothing if neither keeps it."""
    bench = drawn(number)
    tuner = Tuner([Corner("nominal", bench)], TuningDemand(("torque",), structures=(name,)))
    search, loop = tuner.search("torque"), loop_named(bench, "torque")
    family = STRUCTURES[name].family(loop, search.plants[0], {})
    if isinstance(family, str) or family.setpoint_only:
        return None
    start = time.process_time()
    trial = tuner.trials(search, loop, (), ("pi", name))[name]
    taken = time.process_time() - start
    best = long_search(search, family, rounds)
    ours = float("inf") if isinstance(trial, str) else trial.cost
    ratio = ours / min(ours, best) if np.isfinite(min(ours, best)) else None
    return Cell(name, number, ratio, taken)


def known(path: Path | None) -> list[Cell]:
    """Return what earlier runs have left in a file."""
    if path is None or not path.exists():
        return []
    return [Cell(*json.loads(line)) for line in path.read_text(encoding="utf-8").splitlines()]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=30)
    parser.add_argument("--first", type=int, default=1, help="number of the first bench")
    parser.add_argument("--structure", action="append", choices=list(STRUCTURES))
    parser.add_argument("--rounds", type=int, default=60, help="generations of the global search")
    parser.add_argument("--minutes", type=float, default=np.inf)
    parser.add_argument("--results", type=Path, help="file that keeps what is done, so that a run goes on")
    arguments = parser.parse_args()
    names = arguments.structure or [name for name in STRUCTURES if name != "kept"]
    numbers = range(arguments.first, arguments.first + arguments.benches)
    cells = [cell for cell in known(arguments.results) if cell.structure in names and cell.bench in numbers]
    done = {(cell.structure, cell.bench) for cell in cells}
    end = time.monotonic() + 60.0 * arguments.minutes
    for number, name in product(numbers, names):
        if (name, number) in done or time.monotonic() > end:
            continue
        try:
            cell = measure(number, name, arguments.rounds) or Cell(name, number, None, 0.0)
        except SimulationError as error:
            _say(f"bench {number} left out: {error}")
            cell = Cell(name, number, None, 0.0)
        cells.append(cell)
        if arguments.results is not None:
            with arguments.results.open("a", encoding="utf-8") as file:
                file.write(json.dumps(cell) + "\n")
        if cell.ratio is not None:
            _say(f"bench {number} {name}: {cell.ratio:.4f}, {cell.taken:.2f} s")
    _say("\ncost of the tuner over the least found")
    _say(f"{'structure':28}{'cases':>6}{'median':>9}{'worst':>9}{'on bench':>9}{'time, median [s]':>18}")
    for name in names:
        rows = [cell for cell in cells if cell.structure == name and cell.ratio is not None]
        if rows:
            ratios = np.array([cell.ratio for cell in rows])
            worst, taken = rows[int(np.argmax(ratios))].bench, np.median([cell.taken for cell in rows])
            text = f"{name:28}{len(rows):6}{np.median(ratios):9.4f}{ratios.max():9.4f}{worst:9}"
            _say(f"{text}{taken:18.2f}")


if __name__ == "__main__":
    main()
