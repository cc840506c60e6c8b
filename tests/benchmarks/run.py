"""Measure what the design promises and print ratios; nothing here is a test.

``python tests/benchmarks/run.py`` prints one table, with ``--only`` a part of it. Times are minima over
several repetitions, the engine's and the C program's taken in turn, because a shared machine drifts.
"""

import argparse
import dataclasses
import os
import resource
import subprocess
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

# As the command does: matrices are small, and threads inside one product get in each other's way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "outside")]

import reference
import reference_solver

from shaftloop.analysis.efficiency import bench_budget
from shaftloop.analysis.efficiency_points import measured_bench, stated_points
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.margins import loop_margins
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.simulation import Channels, make_run, recorded, simulate
from shaftloop.analysis.uncertainty.montecarlo import monte_carlo
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.bench.sequence import actions
from shaftloop.engine.lanes import LANES, advance_together
from shaftloop.engine.run import Run
from shaftloop.engine.supervision import lay_out
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.tuning.choosing import TuningDemand
from shaftloop.studies.tuning.structures import STRUCTURES
from shaftloop.studies.tuning.tolerance import corners, read_tolerances
from shaftloop.studies.tuning.tune import tune
from shaftloop_models.coupling import Coupling
from shaftloop_models.flywheel import Flywheel
from shaftloop_models.supply import Rectifier, Stiff
from shaftloop_models.torque_sensor import TorqueSensor


def engine_time(description: Description, method: str = "etd4", channels: Channels | None = None) -> float:
    """Return milliseconds of processor time per simulated second of one run, recording and meters on."""
    bench = recorded(build_bench(description), channels)
    run, end = make_run(bench, method=method)
    lay_out(run, actions(bench))
    run.recording[:] = 0.0  # page faults belong to no run
    start = time.thread_time()
    run.advance(end, exact=True)
    return 1e3 * (time.thread_time() - start) / run.clock.seconds(end)


def against_c(description: Description, repeat: int) -> None:
    """Print the time of one run against the hand-written C program."""
    for label, flags in (("-O2", reference.PLAIN), ("-O3 -march=native", reference.NATIVE)):
        program = reference.build(flags)
        if program is None:
            report("one run against C", "no gcc on this machine")
            return
        for method, every in (("etd4", False), ("etd4", True), ("rk4", False)):
            channels = None if every else _two_channels
            engine_time(description, method, channels)
            pairs = [
                (
                    engine_time(description, method, channels),
                    reference.time_per_second(program, repeat=1, every=every)[0],
                )
                for _ in range(repeat)
            ]
            ours, theirs = (min(column) for column in zip(*pairs, strict=True))
            recording = "all channels" if every else "two channels"
            report(
                f"one run, {method}, {recording}, against C {label}",
                f"{ours / theirs:.2f}",
                f"{ours:.2f} and {theirs:.2f} ms per simulated second",
            )


def _two_channels(_: Bench) -> set[str]:
    return {"true_torque", "drive_speed"}


def accuracy(description: Description) -> None:
    """Print the largest torque error over 50 ms from rest against the tight solver."""
    line = tuple(
        dataclasses.replace(p, bits=None) if isinstance(p, TorqueSensor) else p for p in description.line
    )
    smooth = dataclasses.replace(description, line=line, duration=Fraction(51, 1000))
    rest, _, _ = reference_solver.load()
    for method in ("etd4", "rk4"):
        torque = simulate(smooth, method=method).traces["true_torque"][: len(rest.true_torque)]
        report(f"torque error from rest, {method}", f"{np.max(np.abs(torque - rest.true_torque)):.2e} N m")


def processes(repeat: int) -> None:
    """Print whole-process times and memory."""
    command = [sys.executable, "-m", "shaftloop.cli"]
    bare = min(_process([sys.executable, "-c", "pass"]) for _ in range(repeat))
    report(
        "--help over a bare interpreter",
        f"{min(_process([*command, '--help']) for _ in range(repeat)) - bare:.2f} s",
    )
    run = [*command, "simulate", "reference-bench", "--json"]
    _process(run)
    report("simulate --json of 2 s, cached", f"{min(_process(run) for _ in range(repeat)):.2f} s")
    with tempfile.TemporaryDirectory() as cache:
        report("first ever start", f"{_process(run, XDG_CACHE_HOME=cache):.1f} s")
    _process([*run, "--set", "duration=10 s"])
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    report("largest process, 10 s recorded at 10 kHz", f"{peak:.0f} MB")


def _process(command: list[str], **environment: str) -> float:
    start = time.perf_counter()
    subprocess.run(
        command,
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=os.environ | environment,
    )
    return time.perf_counter() - start


def long_line(description: Description, bodies: int) -> Description:
    """Return the reference bench with flywheels and couplings added up to a number of inertias."""
    *before, last = description.line
    added = []
    for i in range(bodies - 4):
        added.append(Flywheel("flywheel", f"f{i}", inertia=0.01))
        added.append(Coupling("coupling", f"k{i}", 2.5e5, damping=2.0))
    return dataclasses.replace(description, line=(*before, *added, last), duration=Fraction(1, 2))


def growth(description: Description) -> None:
    """Print how the time of a run grows with the number of inertias."""
    sizes = (4, 10, 20, 40)
    times = []
    for bodies in sizes:
        longer = long_line(description, bodies)
        times.append(min(engine_time(longer) for _ in range(3)))
    exponent = np.polyfit(np.log(sizes[1:]), np.log(times[1:]), 1)[0]
    figures = ", ".join(f"{n}: {t:.1f}" for n, t in zip(sizes, times, strict=True))
    report(
        "growth from 10 to 40 inertias", f"exponent {exponent:.2f}", f"ms per simulated second at {figures}"
    )


def margins(description: Description, repeat: int) -> None:
    """Print the CPU time of the margins of one loop, warm, from the steady state on."""
    few = ("largest_eigenvalue", "ms")
    every = (*few, "gain_margin", "gain_margin_down", "phase_margin", "worst_amplification", "mt")
    every = (*every, "bandwidth", "rejection", "noise_gain")
    for words, figures in (("all figures", every), ("stability and Ms", few)):
        times = []
        for _ in range(repeat):
            bench = HyperMap(description)
            start = time.process_time()
            point = operating_point(bench.bench)
            state = bench.steady(point)
            found = loop_margins(bench, bench.bench.loops["torque"], point, state)
            for figure in figures:
                getattr(found, figure)
            times.append(time.process_time() - start)
        report("margins of one loop, warm", f"{1e3 * min(times):.1f} ms", words)


def tuning(repeat: int) -> None:
    """Print the time of a tuning of every loop: one structure, all structures, and at 16 corners."""
    stated = [
        *("line.drive.inertia=±20%", "line.c1.stiffness=±20%", "line.ts.filter.cutoff=±10%"),
        "loop.torque.output_latency=0.5 samples..1.5 samples",
    ]
    tolerances = read_tolerances(stated, "reference-bench", ())
    cases = [("reference-bench", "torque", "one structure, 16 corners", ("kept",), tolerances)]
    for bench in ("reference-bench", "wheel-hub", "micro-spindle", "truck-axle"):
        for loop in ("torque", "speed"):
            cases.append((bench, loop, "one structure", ("kept",), []))
            cases.append((bench, loop, "all structures", tuple(STRUCTURES), []))
    for bench, loop, what, structures, chosen in cases:
        benches = corners(bench, (), chosen)
        times = []
        for _ in range(max(repeat, 2)):
            start = time.perf_counter()
            tune(benches, TuningDemand((loop,), structures=structures))
            times.append(time.perf_counter() - start)
        report(f"tune, {bench}, {loop}, {what}", f"{min(times):.2f} s")


def lanes(description: Description, count: int, repeat: int) -> None:
    """Print how fast candidates that differ in gains run in lanes, on two threads and against single runs."""
    candidates = [_with_gains(description, 0.9 + 0.2 * i / count) for i in range(count)]
    seconds = float(description.duration or 0) * count
    build_bench(description)
    list(simulate_many(candidates[:LANES]))
    whole, kernel, single = [], [], []
    for _ in range(repeat):
        start = time.perf_counter()
        outcomes = list(simulate_many(candidates, threads=2))
        whole.append(time.perf_counter() - start)
        assert all(outcome.in_lanes for outcome in outcomes)
        runs = [_laid_out(candidate) for candidate in candidates[:LANES]]
        start = time.thread_time()
        advance_together([run for run, _ in runs], runs[0][1])
        kernel.append((time.thread_time() - start) / LANES)
        run, end = _laid_out(description)
        start = time.thread_time()
        run.advance(end, exact=True)
        single.append(time.thread_time() - start)
    report(
        f"{count} candidates, 2 threads, whole",
        f"{seconds / min(whole):.0f} x",
        "times real time, benches built",
    )
    per_core = float(description.duration or 0) / min(kernel)
    report("kernel of lanes, 2 cores", f"{2 * per_core:.0f} x", "twice the CPU time of one core")
    report("one run over one lane", f"{min(single) / min(kernel):.1f}", "CPU time of the kernels")


def live_link(repeat: int) -> None:
    """Print CPU time of the kernel on a link whose voltage is a state over that on a stiff one."""
    cases = {f"{name}, two machines": read_scenario(name).description for name in _STIFF}
    pairs = {name: (bench, _on_rectifier(bench)) for name, bench in cases.items()}
    for name, what in (("rectifier-hub", "with a resistor"), ("two-way-hub", "with its voltage loop")):
        bench = read_scenario(name).description
        loops = tuple(loop for loop in bench.loop if loop.acts_on != "supply")
        stiff = dataclasses.replace(
            bench, supply=Stiff(voltage=bench.supply.nominal()), brake_resistor=(), loop=loops
        )
        pairs[f"{name}, {what}"] = (stiff, bench)
    for name, (stiff, live) in pairs.items():
        times = [(_processor_time(stiff), _processor_time(live)) for _ in range(repeat + 1)][1:]
        ratios = sorted(ours / theirs for theirs, ours in times)
        detail = f"median of {repeat}, {ratios[0]:.2f} to {ratios[-1]:.2f}"
        report(f"live link, {name}", f"{ratios[repeat // 2]:.2f}", detail)


_STIFF = ("wheel-hub", "truck-axle", "reference-bench")


def _on_rectifier(bench: Description) -> Description:
    supply = Rectifier(
        kind="rectifier",
        line_voltage=bench.supply.nominal() / 1.3505,
        line_frequency=50.0,
        source_inductance=0.5e-3,
        source_resistance=0.02,
        capacitance=1.5e-3,
    )
    return dataclasses.replace(bench, supply=supply)


def _processor_time(description: Description) -> float:
    run, end = _laid_out(description)
    start = time.thread_time()
    run.advance(end, exact=True)
    return time.thread_time() - start


def trials(repeat: int) -> None:
    """Print how long a million Monte Carlo trials of all results of a bench take."""
    measured = measured_bench(read_scenario("truck-axle").description)
    measurement = bench_budget(measured, stated_points(measured, ())[0]).measurement
    times = []
    for _ in range(repeat):
        start = time.perf_counter()
        monte_carlo(measurement, 1_000_000, seed=1)
        times.append(time.perf_counter() - start)
    detail = f"{len(measurement.inputs)} inputs, {len(measurement.outputs)} results"
    report("a million trials of truck-axle", f"{min(times):.2f} s", detail)


def _with_gains(description: Description, factor: float) -> Description:
    loops = (
        dataclasses.replace(loop, kp=dataclasses.replace(loop.kp, value=factor * loop.kp.value))
        for loop in description.loop
    )
    return dataclasses.replace(description, loop=tuple(loops))


def _laid_out(description: Description) -> tuple[Run, int]:
    bench = build_bench(description)
    run, end = make_run(bench)
    lay_out(run, actions(bench))
    return run, end


def report(name: str, value: str, detail: str = "") -> None:
    """Print a line of the table."""
    sys.stdout.write(f"{name:56s} {value:>14s}  {detail}\n")
    sys.stdout.flush()


def main() -> None:
    """Run all benchmarks, or some."""
    description = read_scenario("reference-bench").description
    every = {
        # First: a process that is forked off a large one counts as large itself.
        "processes": processes,
        "c": lambda repeat: against_c(description, repeat),
        "accuracy": lambda _: accuracy(description),
        "growth": lambda _: growth(description),
        "margins": lambda repeat: margins(description, repeat),
        "tuning": lambda repeat: tuning(min(repeat, 3)),
        "lanes": lambda _: lanes(description, 256, 3),
        "link": live_link,
        "trials": lambda _: trials(3),
    }
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeat", type=int, default=7, help="repetitions of each timing")
    parser.add_argument("--only", nargs="+", choices=list(every), default=list(every))
    chosen = parser.parse_args()
    for name, measure in every.items():
        if name in chosen.only:
            measure(chosen.repeat)


if __name__ == "__main__":
    main()
