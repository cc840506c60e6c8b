"""How often the intervals of a fit hold the truth under strong order lines; run by hand.

``python tests/benchmarks/orders.py [SEEDS] [CASE ...]``. Logs of the reference bench at constant speed or
on a slow ramp under speed control, with noise of 0.3 N m and 0.03 rad/s, and with an order line:

- `columns`: order 2 added to what was logged;
- `shaft`: order 2 as a cogging torque of the load machine that the scenario lacks, under gentle torque;
- `resonance`: order 6 of that, which meets the resonance, under the full torque;
- `stated`: the same with the cogging in the scenario, its amplitude and phase free.
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
from shaftloop.studies.identification.replay import Replay

FREE = ("line.c1.stiffness", "line.load.inertia", "line.ts.filter.cutoff")
TRUE = (25e3, 0.03, 1200.0)
SPEEDS = {"constant": (1430.0, 1430.0), "ramp": (1350.0, 1500.0)}
PLACES = ("columns", "shaft", "resonance", "stated")
WAVE = ("line.load.cogging.0.amplitude", "line.load.cogging.0.phase=3 rad")
BEGINS = 0.4
WRONG = {
    "backlash of a coupling": ("line.c1.backlash=0.1 deg", "line.c1.rated=200 N m"),
    "order and cutoff of the sensor's filter": ("line.ts.filter.order=4", "line.ts.filter.cutoff=250 Hz"),
}


def bench(folder: Path, speeds: str, cogging: str = "", gentle: bool = False) -> Path:
    """Return a scenario whose speed is there at once."""
    text = read_scenario("reference-bench").text
    start, end = SPEEDS[speeds]
    ramp = 'to = "1500 rpm"\nover = "0.5 s"\nwait = false\n'
    assert ramp in text
    slow = f'[[sequence]]\ndo = "ramp"\nloop = "speed"\nto = "{end} rpm"\nover = "1 s"\nwait = false\n'
    text = text.replace(ramp, f'to = "{start} rpm"\nover = "1 ms"\nwait = true\n\n{slow}')
    if gentle:
        text = text.replace('high = "80 N m"', 'high = "20 N m"')
    if cogging:
        text = text.replace('name = "load"\n', f'name = "load"\ncogging = [{{ {cogging} }}]\n')
    path = folder / f"bench-{speeds}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def logged(
    folder: Path, seed: int, case: tuple[str, str, float], settings: Sequence[str] = (), seconds: float = 1.2
) -> Path:
    """Return the log of a run with an order line."""
    speeds, where, amplitude = case
    rng = np.random.default_rng(seed)
    order, phase = 2 if where == "shaft" else 6, rng.uniform(-np.pi, np.pi)
    cogging = f'order = {order}, amplitude = "{amplitude} N m", phase = "{phase} rad"'
    base = (f"duration={seconds} s", "record.rate=2.5 kHz", f"seed={seed}")
    path = bench(folder, speeds, "" if where == "columns" else cogging, where == "shaft")
    run = simulate(read_scenario(path, (*base, *settings)).description)
    angle = np.cumsum(run.traces["drive_speed"]) / 2500.0
    keep = run.time > BEGINS
    columns = {"time [s]": run.time[keep]}
    phases = rng.uniform(0.0, 2.0 * np.pi, 2)
    for name, noise, line in (("reading", 0.3, 1.0), ("drive_speed", 0.03, 0.05), ("load_speed", 0.03, 0.05)):
        values = run.traces[name] + noise * rng.normal(size=len(run.time))
        if where == "columns":
            values += line * amplitude * np.sin(2.0 * angle + phases[int(name == "reading")])
        columns[f"{name} [{run.units[name]}]"] = values[keep]
    path = folder / f"{seed}.npz"
    np.savez(path, **columns)
    return path


def fitted(
    folder: Path, path: Path, seed: int, case: tuple[str, str, float], seconds: float = 1.2
) -> tuple[Fit, Judgement]:
    """Return a fit that starts off the truth."""
    factors = np.exp(np.random.default_rng(seed + 10_000).uniform(-0.3, 0.3, 3))
    units = ("N m/rad", "kg m^2", "Hz")
    settings = [
        f"{name}={true * factor} {unit}"
        for name, true, factor, unit in zip(FREE, TRUE, factors, units, strict=True)
    ]
    base = (f"duration={seconds} s", "record.rate=2.5 kHz")
    stated = case[1] == "stated"
    cogging = 'order = 6, amplitude = "1 N m"' if stated else ""
    scenario = read_scenario(bench(folder, case[0], cogging, case[1] == "shaft"), (*base, *settings))
    free = (*FREE, *(WAVE if stated else ()))
    replay = Replay(scenario, [read_measurement(path)])
    fit = estimate(replay, read_free(scenario, free, replay.log_parameters()))
    names = [entry.column.channel for entry in replay.compared]
    return fit, judge(fit, names, [[] for _ in names])


def main(seeds: int, only: Sequence[str]) -> None:
    """Print coverage, acceptance and objections."""
    cases = [(s, w, a) for s in SPEEDS for w in PLACES for a in (2.0, 5.0)]
    with TemporaryDirectory() as name:
        folder = Path(name)
        for case in cases:
            title = " ".join(map(str, case))
            if only and not any(word in title for word in only):
                continue
            started, scores, accepted, named = time.process_time(), [], 0, []
            for seed in range(seeds):
                fit, judgement = fitted(folder, logged(folder, seed, case), seed, case)
                scores.append(
                    [(e.value - t) / e.deviation for e, t in zip(fit.estimates, TRUE, strict=False)]
                )
                accepted += not judgement.against
                named.append(lines(fit))
                if judgement.against:
                    say(f"    {seed}: {judgement.against}")
            held = np.sum(np.abs(scores) <= 2.100922, axis=0)
            say(f"{title}: {dict(zip(FREE, held.tolist(), strict=True))} of {seeds} hold the truth")
            say(f"  scores {np.mean(scores, axis=0).round(2)} ± {np.std(scores, axis=0).round(2)}")
            say(f"  right model accepted: {accepted} of {seeds}")
            say(f"  orders: { {found: named.count(found) for found in dict.fromkeys(named)} }")
            few = max(seeds // 4, 1) if case[1] != "resonance" else 0
            for what, settings in WRONG.items():
                found = [
                    fitted(folder, logged(folder, seed, case, settings), seed, case) for seed in range(few)
                ]
                objected = sum(bool(entry.against) for _, entry in found)
                say(f"  wrong {what}: objected to in {objected} of {few}; {{lines(fit) for fit, _ in found}}")
            say(f"  {time.process_time() - started:.0f} s of CPU time")


def lines(fit: Fit) -> tuple[float, ...]:
    """Return the orders that were taken out."""
    return tuple(order.order for order in getattr(fit, "orders", ()))


def say(line: str) -> None:
    """Print a line at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40, sys.argv[2:])
