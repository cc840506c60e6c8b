"""How often the intervals of a fit hold the truth, and how often a wrong model is objected to; run by hand.

``python tests/benchmarks/identification.py [SEEDS]``. Logs are made by the bench itself with values that the
fit does not know, with noise, quantiser, a clock of its own (0.4 s, 100 ppm), a gap of 100 ms, an order line.
Every fourth has what the scenario lacks, too. A line per fit, so that a run that is stopped is not lost.
"""

import sys
import time
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from shaftloop.analysis.overlay import read_measurement
from shaftloop.analysis.simulation import simulate
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.identification.fit import Fit, estimate
from shaftloop.studies.identification.free import read_free
from shaftloop.studies.identification.judge import Judgement, judge
from shaftloop.studies.identification.problem import SIDES
from shaftloop.studies.identification.replay import Replay

SECONDS = 0.8
FREE = (
    "line.c1.stiffness",
    "line.load.inertia",
    "line.ts.filter.cutoff",
    "log.reading.zero",
    "log.clock",
    "log.drift",
)
TRUE = {
    "line.c1.stiffness": 25e3,
    "line.load.inertia": 0.03,
    "line.ts.filter.cutoff": 1200.0,
    "log.reading.zero": 0.0,
    "log.clock": 0.4 + 100e-6 * (0.5 * SECONDS - 0.4),
    "log.drift": 100e-6,
}
LOGGED = (
    ("reading", 0.3, 0.1),
    ("torque_command", 0.3, 0.0),
    ("drive_speed", 0.03, 0.01),
    ("load_speed", 0.03, 0.0),
)
"""Channel, standard deviation of its noise, amplitude of the order line. [unit]"""
BASE = (f"duration={SECONDS} s", "record.rate=2 kHz")
WRONG = {
    "order and cutoff of the sensor's filter": ("line.ts.filter.order=4", "line.ts.filter.cutoff=250 Hz"),
    "latency of the sensor": ("line.ts.latency=12 samples",),
    "drag of the load machine": ("line.load.drag.coulomb=3 N m",),
    "backlash of a coupling": ("line.c1.backlash=0.1 deg", "line.c1.rated=200 N m"),
}
"""What the log has and the scenario lacks, and is not free."""


def logged(folder: Path, seed: int, settings: Sequence[str] = ()) -> Path:
    """Return the log of a run with values of its own."""
    rng = np.random.default_rng(seed)
    run = simulate(read_scenario("reference-bench", (*BASE, f"seed={seed}", *settings)).description)
    angle = np.cumsum(run.traces["drive_speed"]) / 2000.0
    columns = {"time [s]": (run.time - 0.4) / (1.0 + 100e-6)}
    keep = (run.time < 0.35) | (run.time > 0.45)
    for name, noise, line in LOGGED:
        values = run.traces[name] + noise * rng.normal(size=len(run.time)) + line * np.sin(3.0 * angle)
        columns[f"{name} [{run.units[name]}]"] = np.round(values / 0.015) * 0.015
    path = folder / f"{seed}.npz"
    np.savez(path, **{name: values[keep] for name, values in columns.items()})
    return path


def fitted(path: Path, seed: int) -> tuple[Fit, Judgement]:
    """Return a fit that starts off the truth."""
    rng = np.random.default_rng(seed + 10_000)
    factors = np.exp(rng.uniform(-0.3, 0.3, 3))
    settings = [
        f"line.c1.stiffness={25e3 * factors[0]} N m/rad",
        f"line.load.inertia={0.03 * factors[1]} kg m^2",
        f"line.ts.filter.cutoff={1200.0 * factors[2]} Hz",
    ]
    scenario = read_scenario("reference-bench", (*BASE, *settings))
    replay = Replay(scenario, [read_measurement(path)])
    fit = estimate(replay, read_free(scenario, FREE, replay.log_parameters()))
    names = [entry.column.channel for entry in replay.compared]
    setpoints = [[torque_setpoint(entry.time)] for entry in replay.compared]
    return fit, judge(fit, names, setpoints)


def torque_setpoint(at: np.ndarray) -> np.ndarray:
    """Return the torque set-point of the reference bench."""
    phase = np.mod(at + 0.4, 0.2)
    return np.where((phase >= 0.01) & (phase < 0.11), 80.0, 0.0)


def main(seeds: int) -> None:
    """Print coverage and objections."""
    started = time.process_time()
    scores: dict[str, list[float]] = {path: [] for path in TRUE}
    objected: dict[str, list[bool]] = {}
    with TemporaryDirectory() as name:
        for seed in range(seeds):
            for what, settings in {"right model": (), **(WRONG if seed % 4 == 0 else {})}.items():
                fit, judgement = fitted(logged(Path(name), seed, settings), seed)
                objected.setdefault(what, []).append(bool(judgement.against))
                line = f"{seed} {what}: {'objected to' if judgement.against else 'accepted'}"
                for entry in fit.estimates if not settings else ():
                    if entry.free.path in TRUE:
                        scores[entry.free.path].append(
                            (entry.value - TRUE[entry.free.path]) / entry.deviation
                        )
                        line += f" {scores[entry.free.path][-1]:.2f}"
                say(line)
    for path, values in scores.items():
        hits = sum(abs(score) <= SIDES for score in values)
        spread = f"scores {np.mean(values):.2f} ± {np.std(values):.2f}"
        say(f"{path}: {hits} of {len(values)} hold the truth; {spread}")
    for what, found in objected.items():
        say(f"{what}: objected to in {sum(found)} of {len(found)}")
    say(f"{time.process_time() - started:.0f} s of CPU time")


def say(line: str) -> None:
    """Print a line at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
