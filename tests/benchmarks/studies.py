"""Measure a large study, and what is left of a study that is killed; nothing here is a test.

``python tests/benchmarks/studies.py speed --candidates 10000`` prints candidates per second, memory at the
start and at the end, and the ratio to the same number of single runs, where every candidate has a stiffness
of its own; with ``--design grid`` ten stiffnesses, so that most candidates share lanes. ``... kill --times
20`` kills a study at random instants, resumes it and compares its table with that of a study that was left
alone. ``... cost`` prints the processor time per candidate of several small studies in one process, and the
estimate of the whole over what it took.
"""

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from shaftloop.studies.responses import evaluate
from shaftloop.studies.whatif.designs import CandidatePlan
from shaftloop.studies.whatif.estimate import estimated
from shaftloop.studies.whatif.evaluate import Batch, evaluate_batch
from shaftloop.studies.whatif.execute import execute, run_here, work_of
from shaftloop.studies.whatif.processes import Processes
from shaftloop.studies.whatif.reading import find_study, read_study
from shaftloop.studies.whatif.store import open_store

STUDY = """\
scenario = "reference-bench"
settings = ["duration={duration}"{settings}]
expectations = false
design = {{ {design} }}
[[factor]]
path = "loop.torque.kp"
low = 0.01
high = 0.1
scale = "log"
count = {gains}
[[factor]]
path = "loop.torque.ki"
low = "10 1/s"
high = "100 1/s"
count = {gains}
[[factor]]
path = "line.c1.stiffness"
low = "10 kN m/rad"
high = "40 kN m/rad"
count = 10
[[response]]
metric = "{metric}"
"""
BREAKAWAY = """, "line.drive.drag.breakaway='0.3 N m'", "line.load.drag.breakaway='0.3 N m'\""""
"""Settings with which both machines stick at rest."""

STIFFNESS = ("line.c1.stiffness", '"10 kN m/rad"', '"40 kN m/rad"')


def small(scenario: str, count: int, factor: tuple[str, str, str], settings: str = "", more: str = "") -> str:
    """Return a study of one factor, each candidate 0.5 s."""
    path, low, high = factor
    return f"""\
scenario = "{scenario}"
settings = ["duration=0.5 s"{settings}]
design = {{ kind = "sobol", count = {count}, seed = 1 }}
{more}[[factor]]
path = "{path}"
low = {low}
high = {high}
[[response]]
metric = "simulate.torque_overshoot"
"""


BARE = "expectations = false\n"
OTHERS = {
    "gains only": small("reference-bench", 256, ("loop.torque.kp", "0.01", "0.1"), more=BARE),
    "a stiffness each": small("reference-bench", 256, STIFFNESS, more=BARE),
    "a stiffness each, friction that sticks": small("reference-bench", 64, STIFFNESS, BREAKAWAY, BARE),
    "a stiffness each, what wheel-hub expects": small(
        "wheel-hub", 64, ("line.c1.stiffness", '"10 kN m/rad"', '"14 kN m/rad"')
    ),
    "sensors and buses, each bench tuned": "",
    "tuned": small("reference-bench", 4, STIFFNESS, more=BARE + '[tune]\nloops = ["torque"]\n'),
}
"""Studies by what they are about."""
_EARLY = 0.05
"""Share of the candidates after which memory is looked at for the first time."""


def resident(process: int) -> float:
    """Return the resident memory of a process [MB]."""
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return 0.0


def workers() -> list[int]:
    """Return the processes of the pool."""
    import multiprocessing

    return [child.pid for child in multiprocessing.active_children() if child.pid is not None]


def written(
    folder: Path, kind: str, count: int, duration: str, metric: str, *, breakaway: bool = False
) -> Path:
    """Return the file of a study of about that many candidates."""
    gains = max(2, round((count / 10) ** 0.5))
    design = 'kind = "grid"' if kind == "grid" else f'kind = "{kind}", count = {count}, seed = 1'
    path = folder / "s.toml"
    settings = BREAKAWAY if breakaway else ""
    path.write_text(
        STUDY.format(design=design, gains=gains, duration=duration, metric=metric, settings=settings)
    )
    return path


def speed(kind: str, count: int, processes: int, *, breakaway: bool = False) -> None:
    """Print the figures of one large study."""
    with tempfile.TemporaryDirectory() as folder:
        study = read_study(
            written(Path(folder), kind, count, "0.5 s", "simulate.torque_overshoot", breakaway=breakaway)
        )
        plan = CandidatePlan(study.axes, study.design)
        count = plan.total
        memory: dict[str, tuple[float, float]] = {}

        def look(share: float) -> None:
            when = "at the start" if "at the start" not in memory else "at the end"
            if (when == "at the start" and share >= _EARLY) or share > 0.99:
                memory[when] = (resident(os.getpid()), max(map(resident, workers()), default=0.0))

        with open_store(Path(folder) / "results.sqlite", study, plan) as store:
            begun = time.perf_counter()
            execute(store, Processes(processes), look)
            took = time.perf_counter() - begun
            reasons, shared = store.reasons(3), store.shared
        work = work_of(study)
        chosen = plan.candidates(range(0, count, count // 40))
        sample = tuple((c.number, c.settings(plan.axes)) for c in chosen)
        evaluate_batch(work, Batch(sample[:1]))
        begun = time.perf_counter()
        for candidate in sample:
            evaluate_batch(work, Batch((candidate,)))
        single = (time.perf_counter() - begun) / len(sample)
        begun = time.perf_counter()
        for _ in range(20):
            evaluate(study.scenario.description, list(study.figures))
        bare = (time.perf_counter() - begun) / 20
    say(f"{count} candidates on {processes} processes: {took:.1f} s, {count / took:.1f} candidates/s")
    say("in lanes {}, singly {}".format(*shared))
    say(
        f"one after the other in one process: {1e3 * single:.1f} ms each; "
        f"the study is {single * count / took:.2f} x faster"
    )
    say(f"of which the run and its figures, without reading the scenario: {1e3 * bare:.1f} ms")
    for when, (parent, worker) in memory.items():
        say(f"memory {when}: {parent:.0f} MB, largest process {worker:.0f} MB")
    say(f"not done: {reasons}")


def cost() -> None:
    """Print what candidates of several studies cost, and how good the estimate of the whole study is."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.toml"
        for name, text in OTHERS.items():
            path.write_text(text)
            study = read_study(path if text else find_study("hub-sensors"))
            plan = CandidatePlan(study.axes, study.design)
            for _ in range(2):  # the first one loads kernels and libraries
                with open_store(None, study, plan) as store:
                    since = [time.process_time()]
                    execute(store, run_here, lambda _, since=since: since.append(time.process_time()))  # type: ignore[misc]
                    done, (lanes, singly) = store.done, store.shared
            took = since[-1] - since[0]
            each = 1e3 * took / done
            ratio = estimated(study, plan.total).seconds / took
            say(f"{name:42s} {each:8.2f} ms each, estimate {ratio:.2f} x; {lanes} in lanes, {singly} singly")


def kill(kind: str, count: int, times: int) -> None:
    """Kill a study at random instants until it is complete, and compare."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = written(folder, kind, count, "50 ms", "simulate.peak_true_torque")
        command = [sys.executable, "-m", "shaftloop.cli", "study", str(path), "--workers", "2"]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        begun = time.perf_counter()
        subprocess.run([*command, "--out", str(folder / "whole")], check=True, **quiet)  # type: ignore[call-overload]
        whole = time.perf_counter() - begun
        draw, kills, runs = random.Random(1), 0, 0
        while kills < times:
            runs += 1
            out = folder / f"killed{runs}"
            while True:
                begun_here = subprocess.Popen([*command, "--out", str(out)], **quiet)  # type: ignore[call-overload]
                try:
                    begun_here.wait(draw.uniform(0.3, 1.0) * whole)
                except subprocess.TimeoutExpired:
                    begun_here.send_signal(signal.SIGKILL)
                    begun_here.wait()
                    kills += 1
                    if kills >= times:
                        subprocess.run([*command, "--out", str(out)], check=True, **quiet)  # type: ignore[call-overload]
                        break
                else:
                    break
            same = (out / "candidates.csv").read_bytes() == (folder / "whole" / "candidates.csv").read_bytes()
            say(f"study {runs}: killed {kills} times so far, table {'identical' if same else 'DIFFERENT'}")


def say(text: str) -> None:
    """Print a line."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main() -> None:
    """Run one of the three."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["speed", "kill", "cost"])
    parser.add_argument("--design", choices=["sobol", "grid"], default="sobol")
    parser.add_argument("--candidates", type=int, default=1000)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--breakaway", action="store_true", help="with machines that stick at rest")
    chosen = parser.parse_args()
    if chosen.what == "speed":
        speed(chosen.design, chosen.candidates, chosen.processes, breakaway=chosen.breakaway)
    elif chosen.what == "cost":
        cost()
    else:
        kill(chosen.design, min(chosen.candidates, 200), chosen.times)


if __name__ == "__main__":
    main()
