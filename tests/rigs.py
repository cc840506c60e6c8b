"""Benches for the tests of engine, assembly and outside checks: documents, descriptions and runs."""

import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit
from numpy.typing import NDArray

from shaftloop.analysis.simulation import METHODS
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.bench.sequence import actions
from shaftloop.engine.run import Run
from shaftloop.engine.steprule import Stepping, longest_step
from shaftloop.engine.supervision import lay_out
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario

Table = dict[str, Any]

SHIPPED = ("reference-bench", "wheel-hub", "micro-spindle", "truck-axle")


@cache
def shipped(name: str, *settings: str) -> Description:
    """Return the description of a shipped scenario."""
    return read_scenario(name, settings).description


def describe(document: Table, *settings: str) -> Description:
    """Return the description of a document, by way of a file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rig.toml"
        path.write_text(tomlkit.dumps({"title": "Rig", **document}), encoding="utf-8")
        return read_scenario(path, settings).description


def servo(name: str, inertia: float, **keys: Any) -> Table:
    """Return a machine that makes what it is told, with 1 µs lag at 10 kHz."""
    plain = {
        "part": "machine",
        "model": "torque_servo",
        "name": name,
        "inertia": f"{inertia} kg m^2",
        "time_constant": "1 us",
        "rate": "10 kHz",
        "max_torque": "100 kN m",
        "max_speed": "10000 rpm",
    }
    return {**plain, **keys}


def coupling(name: str, stiffness: float, **keys: Any) -> Table:
    """Return a coupling."""
    return {"part": "coupling", "name": name, "stiffness": f"{stiffness} N m/rad", **keys}


def disc(name: str, inertia: float) -> Table:
    """Return a body without drag."""
    return {"part": "bearing", "name": name, "inertia": f"{inertia} kg m^2", "drag": {}}


def sensor(name: str, stiffness: float, **keys: Any) -> Table:
    """Return a torque sensor without inertia or filter, sampled at 10 kHz."""
    plain = {
        "part": "torque_sensor",
        "name": name,
        "rated": "100 kN m",
        "stiffness": f"{stiffness} N m/rad",
        "sampling": "10 kHz",
    }
    return {**plain, **keys}


def torque_loop(acts_on: str, reads: str, **keys: Any) -> Table:
    """Return a loop that passes its set-point straight on, without feedback or delay."""
    plain = {
        "name": "torque",
        "acts_on": acts_on,
        "reads": reads,
        "rate": "10 kHz",
        "kp": 0,
        "ki": "0 1/s",
        "feedforward": 1.0,
        "anti_windup": "conditional",
        "clamp": "100 kN m",
        "output_latency": "0 s",
    }
    return {**plain, **keys}


def speed_loop(acts_on: str, kp: float, ki: float, **keys: Any) -> Table:
    """Return a speed loop on a machine's own speed."""
    plain = {
        "name": "speed",
        "acts_on": acts_on,
        "reads": acts_on,
        "rate": "10 kHz",
        "kp": f"{kp} N m s/rad",
        "ki": f"{ki} N m/rad",
        "clamp": "100 kN m",
        "output_latency": "0 s",
    }
    return {**plain, **keys}


def rough() -> Description:
    """Return a bench at rest with everything that depends on the angle: 40 N m at up to 1500 rpm."""
    plain = {"time_constant": "1 ms", "max_torque": "200 N m", "max_speed": "3000 rpm", "efficiency": 0.9}
    ripple = [
        {"order": 6, "amplitude": "0.8 N m", "phase": "30 deg"},
        {"order": 24, "amplitude": "1.5 N m", "phase": "-50 deg", "scales": "torque"},
    ]
    cogging = [{"order": 48, "amplitude": "0.3 N m", "phase": "20 deg"}, {"order": 8, "amplitude": "0.5 N m"}]
    offset = {"parallel_offset": "0.2 mm", "pitch_diameter": "80 mm", "angular_offset": "1 deg"}
    hub = {"inertia_right": "0.001 kg m^2", **offset}
    pm = {
        "part": "machine",
        "model": "pm_synchronous",
        "name": "drive",
        "inertia": "0.02 kg m^2",
        "pole_pairs": 4,
        "resistance": "50 mohm",
        "inductance_d": "0.4 mH",
        "inductance_q": "0.6 mH",
        "flux_linkage": "0.12 Wb",
        "current_limit": "200 A",
        "max_speed": "3000 rpm",
        "rated_torque": "100 N m",
        "current_control": {"rate": "10 kHz", "bandwidth": "500 Hz"},
        "ripple": ripple,
        "cogging": [{"order": 12, "amplitude": "0.4 N m"}],
    }
    line = [
        pm,
        coupling("c1", 2.5e4, loss_factor_psi=0.8, offset_phase="40 deg", **hub),
        sensor("ts", 6e4, damping="1 N m s/rad", inertia_right="0.001 kg m^2"),
        coupling("c2", 3e4, damping="2 N m s/rad", **offset),
        servo("load", 0.03, rated_torque="80 N m", ripple=ripple, cogging=cogging, **plain),
    ]
    loops = [speed_loop("drive", 5.0, 40.0, clamp="150 N m"), torque_loop("load", "ts", clamp="150 N m")]
    ramp = {"do": "ramp", "loop": "speed", "to": "1500 rpm", "over": "0.2 s"}
    moves = [step("torque", "40 N m"), ramp, {"do": "hold", "time": "0.1 s"}]
    document = {"unit": "drive", "line": line, "loop": loops, "sequence": moves}
    return describe({**document, "supply": {"voltage": "600 V"}, "record": {"channels": ["angle"]}})


RECTIFIER = {
    "kind": "rectifier",
    "line_voltage": "400 V",
    "line_frequency": "50 Hz",
    "source_inductance": "0.5 mH",
    "source_resistance": "20 mohm",
    "capacitance": "2 mF",
}
"""A supply of 540.2 V without load."""


def two_way(
    *, omega: float = 250.0, damping: float = 1.5, rate: str = "8 kHz", capacitance: str = "2 mF", **keys: Any
) -> tuple[Table, Table]:
    """Return a supply that keeps 650 V, and its loop, of a bandwidth [rad/s] and a damping ratio."""
    per_volt = float(capacitance.split()[0]) * 1e-3 * 650.0
    gains = {
        "kp": f"{2.0 * damping * omega * per_volt} W/V",
        "ki": f"{omega**2 * per_volt} W/(V s)",
    }
    supply = {k: v for k, v in RECTIFIER.items() if k != "source_resistance"} | {
        "kind": "two_way",
        "voltage": "650 V",
        "power_limit": "100 kW",
        "time_constant": "0.5 ms",
        "sampling": rate,
        "capacitance": capacitance,
    }
    ends = {"name": "voltage", "acts_on": "supply", "reads": "supply", "rate": rate, "clamp": "200 kW"}
    return supply | keys, ends | gains


def fed_bench(supply: Table, sequence: list[Table], *, efficiency: float = 0.95, **more: Any) -> Description:
    """Return two machines and a sensor on a supply; sampled at 8 kHz, without drag."""
    plain = {"time_constant": "1 ms", "max_torque": "200 N m", "max_speed": "4000 rpm", "rate": "8 kHz"}
    plain |= {"efficiency": efficiency, "idle_loss": "50 W"}
    middle = sensor("ts", 6e4, damping="2 N m s/rad", sampling="8 kHz")
    loops = [
        speed_loop("drive", 5.0, 100.0, clamp="150 N m", rate="8 kHz"),
        torque_loop("load", "ts", clamp="150 N m", rate="8 kHz"),
    ]
    line = [servo("drive", 0.05, **plain), middle, servo("load", 0.05, **plain)]
    return describe({"line": line, "loop": loops, "sequence": sequence, "supply": supply, **more})


def ramp(to: str, over: str) -> Table:
    """Return a ramp of the speed."""
    return {"do": "ramp", "loop": "speed", "to": to, "over": over}


def hold(time: str) -> Table:
    """Return a wait."""
    return {"do": "hold", "time": time}


def step(loop: str, to: str) -> Table:
    """Return a step of a set-point."""
    return {"do": "step", "loop": loop, "to": to}


def start(
    bench: Bench, *, method: str = "etd4", fixed: int | None = None, factor: int = 1, records: int = 100_000
) -> Run:
    """Return a run of a bench with its whole sequence laid out."""
    number = METHODS[method]
    stepping = Stepping(number, longest_step(bench.model.plant, number), factor, fixed)
    run = Run(bench.model, stepping, records)
    lay_out(run, actions(bench))
    return run


def ticks(run: Run, seconds: float) -> int:
    """Return a time in ticks."""
    return round(seconds * run.clock.ticks_per_second)


def channel(bench: Bench, run: Run, name: str) -> NDArray[np.float64]:
    """Return a recorded channel."""
    number = [c.name for c in bench.model.channels].index(name)
    return run.recording[: run.records, number]


def slot(bench: Bench, name: str) -> int:
    """Return the number of a slot."""
    return bench.model.layout.number(name)


def smooth_bench(name: str, *settings: str) -> Bench:
    """Return a shipped bench without quantisers, noise, clamps and edge counting."""
    return build_bench(shipped(name, *settings), smooth=True)


SPEED_LOOP = """
[[loop]]
name = "speed"
acts_on = "drive"
reads = "drive"
rate = "4 kHz"
kp = "7 N m s/rad"
ki = "60 N m/rad"
clamp = "100 N m"
"""
"""A speed loop for `one_machine_text`."""

_ONE_MACHINE = """\
title = "One machine and a flywheel"
duration = "{duration}"

[[line]]
part = "machine"
model = "torque_servo"
name = "drive"
inertia = "0.02 kg m^2"
time_constant = "2 ms"
rate = "8 kHz"
max_torque = "200 N m"
max_speed = "3000 rpm"

[[line]]
part = "coupling"
name = "c1"
stiffness = "25 kN m/rad"
damping = "2 N m s/rad"

[[line]]
part = "flywheel"
name = "disc"
diameter = "200 mm"
width = "20 mm"
"""


def one_machine_text(duration: str) -> str:
    """Return the file of a bench with one machine, a coupling and a flywheel, without loop and sequence."""
    return _ONE_MACHINE.format(duration=duration)
