"""The reference bench by another route: plain Python, the plant by a tight restarted solver.

Written from the specification alone. It shares no code, table or formulation with shaftloop or with the C
program: the line comes from its incidence matrix, the machines from their flux linkages, and between two task
instants SciPy's solver starts afresh. Slow and exact; the accuracy tests compare with the file it writes.

    python reference_solver.py --write     regenerate data/reference_bench.npz (half a minute)
    python reference_solver.py --check     figures of self-consistency as JSON
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

Array = NDArray[np.float64]

DATA = Path(__file__).with_name("data") / "reference_bench.npz"
TICKS_PER_SECOND = 40_000  # one tick of 25 µs divides every period
SENSOR, INNER, OUTER = 4, 5, 10  # periods [ticks]
SAVED_TICK = 48_000  # 1.2 s: full speed, a torque pulse starts 10 ms later
WINDOW = 2_000  # 50 ms

INERTIA = np.array([0.02, 0.0012, 0.0012, 0.03])  # [kg·m²]
STIFFNESS = np.array([2.5e4, 6e4, 2.5e4])  # [N·m/rad]
DAMPING = np.array([2.0, 1.0, 2.0])  # [N·m·s/rad]
INCIDENCE = np.array([[1.0, -1.0, 0.0, 0.0], [0.0, 1.0, -1.0, 0.0], [0.0, 0.0, 1.0, -1.0]])
ROTORS = np.array([0, 3])  # inertias that are machine rotors: drive, load

PAIRS, RESISTANCE, PSI = 4, 0.05, 0.12  # [-], [Ω], [Wb]
MAGNET = np.array([PSI, 0.0])  # its flux linkage in d, q [Wb]
INDUCTANCE = np.array([0.4e-3, 0.6e-3])  # d, q [H]
FILTER_OMEGA = 2.0 * math.pi * 1200.0 / 1.36165412871613  # [rad/s]
SENSOR_RANGE, QUANTUM = 500.0, 1000.0 / 65536.0  # [N·m]
COMMAND_LIMIT, VOLTAGE_LIMIT = 200.0, 350.0  # [N·m], [V]
BANDWIDTH = 2.0 * math.pi * 400.0  # of the current loops [rad/s]

# One allowed error per step for each plant state, in the order of `BenchState.plant`.
ATOL = np.array([1e-15] * 3 + [1e-12] * 4 + [1e-14] * 4 + [1e-11, 1e-7])


@dataclass(frozen=True)
class BenchState:
    """Everything the bench remembers, before the tasks of instant `tick` run. All zero at rest.

    Rows of two are drive, load; columns of two are d, q.
    """

    tick: int = 0
    """Time since the start. [ticks of 25 µs]"""
    twist: Array = field(default_factory=lambda: np.zeros(3))
    """Twist of the three springs, left to right. [rad]"""
    speed: Array = field(default_factory=lambda: np.zeros(4))
    """Speed of the four inertias. [rad/s]"""
    current: Array = field(default_factory=lambda: np.zeros((2, 2)))
    """Machine currents. [A]"""
    lowpass: Array = field(default_factory=lambda: np.zeros(2))
    """Output of the sensor's low-pass [N·m] and its time derivative [N·m/s]."""
    samples: Array = field(default_factory=lambda: np.zeros(4))
    """The four latest samples, newest first; the last one is the reading. [N·m]"""
    command_next: Array = field(default_factory=lambda: np.zeros(2))
    """Torque commands computed at the last outer tick, not yet active. [N·m]"""
    command: Array = field(default_factory=lambda: np.zeros(2))
    """Active torque commands. [N·m]"""
    integral: Array = field(default_factory=lambda: np.zeros(2))
    """Integrators of the speed and the torque controller. [N·m]"""
    voltage_next: Array = field(default_factory=lambda: np.zeros((2, 2)))
    """Voltages computed at the last inner tick, not yet applied. [V]"""
    voltage: Array = field(default_factory=lambda: np.zeros((2, 2)))
    """Voltages held on the machines. [V]"""
    current_integral: Array = field(default_factory=lambda: np.zeros((2, 2)))
    """Integrators of the current controllers. [V]"""

    @property
    def plant(self) -> Array:
        """The continuous states as one vector, machines as flux linkages without the magnet's. [SI]."""
        return np.concatenate([self.twist, self.speed, (self.current * INDUCTANCE).ravel(), self.lowpass])

    def with_plant(self, x: Array) -> BenchState:
        """Return a copy with the continuous states of vector `x`."""
        current = x[7:11].reshape(2, 2) / INDUCTANCE
        return dataclasses.replace(self, twist=x[:3], speed=x[3:7], current=current, lowpass=x[11:])


@dataclass(frozen=True)
class Settings:
    """How to run: quantiser on or off, and the solver's method and tolerance."""

    quantiser: bool = False
    method: Literal["DOP853", "LSODA", "Radau"] = "DOP853"
    rtol: float = 1e-12
    """Relative error per step. [-]"""
    tighten: float = 1.0
    """Divides both tolerances. [-]"""


@dataclass(frozen=True)
class Trace:
    """What every sensor tick recorded before its tasks, both ends of the run included."""

    time: Array
    """Shape (sensor ticks,). [s]"""
    true_torque: Array
    """Elastic twist torque of the measuring section, shape (sensor ticks,). [N·m]"""
    drive_speed: Array
    """Shape (sensor ticks,). [rad/s]"""


def derivative(_t: float, x: Array, voltage: Array) -> Array:
    """Right-hand side of the plant under held voltages."""
    twist, speed, flux, (y, dy) = x[:3], x[3:7], x[7:11].reshape(2, 2), x[11:]
    rate = INCIDENCE @ speed
    torque = -INCIDENCE.T @ (STIFFNESS * twist + DAMPING * rate)
    rotor = speed[ROTORS]
    linked = flux + MAGNET
    current = flux / INDUCTANCE
    # The air-gap torque is the cross product of flux linkage and current.
    airgap = 1.5 * PAIRS * (linked[:, 0] * current[:, 1] - linked[:, 1] * current[:, 0])
    torque[ROTORS] += airgap - 0.002 * rotor - 0.2 * np.tanh(rotor / 0.5)
    turned = PAIRS * rotor[:, None] * np.column_stack([linked[:, 1], -linked[:, 0]])
    dflux = voltage - RESISTANCE * current + turned
    ddy = 3.0 * FILTER_OMEGA**2 * (STIFFNESS[1] * twist[1] - y) - 3.0 * FILTER_OMEGA * dy
    return np.concatenate([rate, torque / INERTIA, dflux.ravel(), [dy, ddy]])


def sensor(state: BenchState, quantiser: bool) -> BenchState:
    """Take one sample; the reading becomes the sample of three ticks ago."""
    sample = min(max(state.lowpass[0], -SENSOR_RANGE), SENSOR_RANGE)
    if quantiser:
        sample = round(sample / QUANTUM) * QUANTUM  # half to even
    return dataclasses.replace(state, samples=np.array([sample, *state.samples[:3]]))


def references(tick: int) -> tuple[float, float]:
    """Speed [rad/s] and torque [N·m] asked for at an instant."""
    speed = 50.0 * math.pi * min(tick / (TICKS_PER_SECOND // 2), 1.0)
    since_period = tick % (TICKS_PER_SECOND // 5)
    pulse = TICKS_PER_SECOND // 100 <= since_period < 11 * TICKS_PER_SECOND // 100
    return speed, 80.0 if pulse else 0.0


def outer(state: BenchState) -> BenchState:
    """Activate the pending torque commands, then compute the next ones."""
    speed, torque = references(state.tick)
    kp, ki = np.array([7.0, 0.40]), np.array([60.0, 340.0])
    error = np.array([speed - state.speed[0], torque - state.samples[3]])
    wanted = kp * error + state.integral
    given = np.clip(wanted, -COMMAND_LIMIT, COMMAND_LIMIT)
    integral = state.integral + OUTER / TICKS_PER_SECOND * (ki * error + ki / kp * (given - wanted))
    return dataclasses.replace(
        state, command=state.command_next, command_next=given * [1.0, -1.0], integral=integral
    )


def inner(state: BenchState) -> BenchState:
    """Apply the pending voltages, then compute the next ones, both machines."""
    current, integral = state.current, state.current_integral
    wanted_current = np.column_stack([np.zeros(2), state.command / (1.5 * PAIRS * PSI)])
    error = wanted_current - current
    linked = current * INDUCTANCE + MAGNET
    rotation = PAIRS * state.speed[ROTORS][:, None] * np.column_stack([-linked[:, 1], linked[:, 0]])
    wanted = BANDWIDTH * INDUCTANCE * error + integral + rotation
    length = np.hypot(wanted[:, :1], wanted[:, 1:])
    given = np.where(length > VOLTAGE_LIMIT, wanted * (VOLTAGE_LIMIT / np.maximum(length, 1.0)), wanted)
    change = BANDWIDTH * RESISTANCE * error + RESISTANCE / INDUCTANCE * (given - wanted)
    return dataclasses.replace(
        state,
        voltage=state.voltage_next,
        voltage_next=given,
        current_integral=integral + INNER / TICKS_PER_SECOND * change,
    )


def tasks(state: BenchState, settings: Settings) -> BenchState:
    """Run the tasks due at the state's instant: sensor, outer, inner."""
    if state.tick % SENSOR == 0:
        state = sensor(state, settings.quantiser)
    if state.tick % OUTER == 0:
        state = outer(state)
    if state.tick % INNER == 0:
        state = inner(state)
    return state


def advance(state: BenchState, end: int, settings: Settings) -> BenchState:
    """Move the plant to tick `end` under the held voltages."""
    solution = solve_ivp(
        derivative,
        (0.0, (end - state.tick) / TICKS_PER_SECOND),
        state.plant,
        method=settings.method,
        args=(state.voltage,),
        rtol=settings.rtol / settings.tighten,
        atol=ATOL / settings.tighten,
    )
    assert solution.success, solution.message
    return dataclasses.replace(state.with_plant(solution.y[:, -1]), tick=end)


def simulate(state: BenchState, ticks: int, settings: Settings | None = None) -> tuple[Trace, BenchState]:
    """Run the bench from any state.

    Parameters
    ----------
    state : BenchState
        Where to start; ``BenchState()`` is rest.
    ticks : int
        How long. [ticks of 25 µs]
    settings : Settings, optional
        Quantiser off and tight tolerances by default.

    Returns
    -------
    tuple of Trace and BenchState
        The record and the state at the end, before the tasks of that instant.
    """
    settings = settings or Settings()
    last = state.tick + ticks
    rows = []
    while True:
        if state.tick % SENSOR == 0:
            rows.append((state.tick / TICKS_PER_SECOND, STIFFNESS[1] * state.twist[1], state.speed[0]))
        if state.tick == last:
            return Trace(*np.array(rows).T), state
        state = tasks(state, settings)
        following = min((state.tick // period + 1) * period for period in (SENSOR, INNER, OUTER))
        state = advance(state, min(following, last), settings)


def load(path: Path = DATA) -> tuple[Trace, BenchState, Trace]:
    """Read the saved data: 50 ms from rest, the state at 1.2 s, the 50 ms that follow; quantiser off."""
    with np.load(path) as data:
        rest, after = (
            Trace(**{f.name: data[f"{part}_{f.name}"] for f in dataclasses.fields(Trace)})
            for part in ("rest", "after")
        )
        values = {f.name: data[f"state_{f.name}"] for f in dataclasses.fields(BenchState)}
    return rest, BenchState(**{**values, "tick": int(values["tick"])}), after


def write(path: Path = DATA) -> None:
    """Compute and save the reference data."""
    rest, state = simulate(BenchState(), WINDOW)
    _, saved = simulate(state, SAVED_TICK - state.tick)
    after, _ = simulate(saved, WINDOW)
    how = Settings()
    provenance = {
        "made_by": "tests/outside/reference_solver.py --write",
        "specification": "reference bench; quantiser off; recorded before the tasks of each sensor tick",
        "solver": f"{how.method}, restarted at every task instant, rtol {how.rtol}, atol {ATOL.tolist()}",
        "versions": f"numpy {np.__version__}, scipy {scipy.__version__}, python {sys.version.split()[0]}",
        "tick": "25 µs; state_* is the state at tick 48000 (1.2 s) before its tasks",
    }
    arrays = {"provenance": np.array(json.dumps(provenance, ensure_ascii=False))}
    for name, part in (("rest", rest), ("state", saved), ("after", after)):
        arrays |= {f"{name}_{f.name}": np.asarray(getattr(part, f.name)) for f in dataclasses.fields(part)}
    np.savez_compressed(path, allow_pickle=False, **arrays)


def check(path: Path = DATA) -> dict[str, float]:
    """Largest change of the true torque when tolerance, method or starting point changes. [N·m]."""
    rest, saved, after = load(path)
    changes = {}
    for name, settings in (("tighter", Settings(tighten=10.0)), ("lsoda", Settings(method="LSODA"))):
        for part, start, known in (("rest", BenchState(), rest), ("after", saved, after)):
            trace, _ = simulate(start, WINDOW, settings)
            changes[f"{name}_{part}"] = float(np.max(np.abs(trace.true_torque - known.true_torque)))
    return changes


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Reference bench by a tight restarted solver.")
    parser.add_argument("--write", action="store_true", help="compute and save the reference data")
    parser.add_argument("--check", action="store_true", help="report self-consistency of the saved data")
    choice = parser.parse_args()
    if choice.write:
        write()
    if choice.check:
        sys.stdout.write(json.dumps(check(), indent=2) + "\n")


if __name__ == "__main__":
    main()
