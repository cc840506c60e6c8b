"""Whether an experiment tells what its plan says: scatter of fits over predicted deviations; run by hand.

``python tests/benchmarks/experiment.py [SEEDS]``. Every plan is run on the full bench with other seeds and
other noise of the logging device, each log is fitted from starts up to 5 % off, without priors.
"""

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from shaftloop.analysis.overlay import read_measurement
from shaftloop.analysis.simulation import simulate
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.identification.fit import estimate
from shaftloop.studies.identification.free import read_free
from shaftloop.studies.identification.plan import PlanDemand, Trial, find_plan, trace_file
from shaftloop.studies.identification.replay import Replay
from shaftloop.studies.identification.restaged import trace_text

CASES = (
    ("wheel-hub", "steps", ("line.c1.stiffness", "line.load.inertia", "line.load.drag.coulomb")),
    ("wheel-hub", "chirp", ("line.c1.stiffness", "line.load.inertia", "line.ts.filter.cutoff")),
    ("reference-bench", "multisine", ("line.c1.stiffness", "line.load.inertia", "line.ts.filter.cutoff")),
    ("reference-bench", "coast_down", ("line.load.inertia", "line.load.drag.coulomb")),
)
LENGTH = 2.0
"""Of the excitation. [s]"""
CLOCK = 0.013
"""Of the log. [s]"""


def fitted(name: str, trial: Trial, folder: Path, seed: int) -> list[float]:
    """Return the values of θ, less the truth, that a run with another seed gives."""
    rng = np.random.default_rng(seed + 1000)
    path = folder / f"{name}.toml"
    path.write_text(trial.text, encoding="utf-8")
    (folder / trace_file(read_scenario(name))).write_text(trace_text(trial.stage.table), encoding="utf-8")
    run = simulate(read_scenario(path, [f"seed={seed + 1}"]).description)
    columns = {"time [s]": run.time - CLOCK}
    for noise in trial.noises:
        values = run.traces[noise.channel] + noise.deviation * rng.normal(size=len(run.time))
        columns[f"{noise.channel} [{noise.unit}]"] = values
    np.savez(folder / "log.npz", **columns)
    planned = read_scenario(path)
    replay = Replay(planned, [read_measurement(folder / "log.npz")])
    truth = {entry.free.path: entry.free.start for entry in trial.known.estimates if entry.free.of_bench}
    off = {path: value * np.exp(rng.uniform(-0.05, 0.05)) for path, value in truth.items()}
    units = {entry.free.path: entry.free.unit for entry in trial.known.estimates}
    free = [f"{path}={value:.12g} {units[path]}" for path, value in off.items()]
    fit = estimate(replay, read_free(planned, [*free, "log.clock"], replay.log_parameters()))
    return [float(np.log(entry.value / truth[entry.free.path])) for entry in fit.estimates[:-1]]


def main(seeds: int) -> None:
    """Print scatter over prediction of every parameter."""
    started = time.perf_counter()
    for name, kind, free in CASES:
        trial = find_plan(read_scenario(name), PlanDemand(free, kinds=(kind,), length=LENGTH)).best
        with TemporaryDirectory() as folder:
            found = np.array([fitted(name, trial, Path(folder), seed) for seed in range(seeds)])
        for i, entry in enumerate(trial.wanted):
            scatter, bias = np.std(found[:, i], ddof=1), np.mean(found[:, i])
            sys.stdout.write(
                f"{name} {kind} {entry.free.path}: predicted {100.0 * entry.spread:.3g} %, ratio of the "
                f"scatter {scatter / entry.spread:.2f}, bias {bias / entry.spread:.2f} predicted deviations\n"
            )
            sys.stdout.flush()
    sys.stdout.write(f"{seeds} seeds, {time.perf_counter() - started:.0f} s\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 24)
