"""The reference bench against two programs that share nothing with it.

One is a tight solver restarted at every task instant (`reference_solver`), the other a hand-written C
program (`tests/benchmarks/reference_bench.c`).
"""

import importlib.util
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import reference_solver as oracle
from numpy.typing import NDArray

from rigs import channel, shipped, slot, start
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.engine.position import Position
from shaftloop.engine.run import Run
from shaftloop.scenario.description import Description
from shaftloop_models.lowpass import sections
from shaftloop_models.torque_sensor import TorqueSensor

Array = NDArray[np.float64]

ORACLE_TICK = 25_000
"""[ns]"""


def without_quantiser(description: Description) -> Description:
    parts = [replace(p, bits=None) if isinstance(p, TorqueSensor) else p for p in description.line]
    return replace(description, line=tuple(parts))


@pytest.fixture(scope="module")
def bench() -> Bench:
    return build_bench(without_quantiser(shipped("reference-bench")))


@pytest.fixture(scope="module")
def known() -> tuple[oracle.Trace, oracle.BenchState, oracle.Trace]:
    return oracle.load()


def load_state(bench: Bench, run: Run, state: oracle.BenchState) -> None:
    """Put a state of the solver into the slots of a run."""
    part = bench.sensors["ts"].parameters
    assert part.filter is not None
    ((omega, _),) = sections(part.filter)
    values = {
        "ts.filter1": state.lowpass[0],
        "ts.filter2": state.lowpass[1] / omega,
        "ts.reading": state.samples[3],
        "speed.integral": state.integral[0],
        "torque.integral": state.integral[1],
        "speed.command.line": state.command_next[0],
        "torque.command.line": state.command_next[1],
    }
    for i, name in enumerate(("c1", "ts", "c2")):
        values[f"{name}.twist"] = state.twist[i]
        values[f"ts.line[{i}]"] = state.samples[2 - i]
    for node, speed in zip(bench.line.nodes, state.speed, strict=True):
        values[f"{node.name}.speed"] = speed
    for i, name in enumerate(("drive", "load")):
        values[f"{name}.command_active"] = state.command[i]
        for k, axis in enumerate("dq"):
            values[f"{name}.current_{axis}"] = state.current[i, k]
            values[f"{name}.voltage_{axis}"] = state.voltage[i, k]
            values[f"{name}.voltage.line[{k}]"] = state.voltage_next[i, k]
            values[f"{name}.current_integral[{k}]"] = state.current_integral[i, k]
    for name, value in values.items():
        run.state[slot(bench, name)] = value
    run.position = Position(state.tick * ORACLE_TICK, 0, -1)


def errors(bench: Bench, run: Run, trace: oracle.Trace) -> tuple[float, float]:
    """Return the largest differences of true torque [N m] and drive speed [rad/s] over 50 ms."""
    last = run.position.tick + oracle.WINDOW * ORACLE_TICK
    run.advance(last + 1)
    assert run.records == 501
    torque = channel(bench, run, "true_torque") - trace.true_torque
    speed = channel(bench, run, "drive_speed") - trace.drive_speed
    return float(np.abs(torque).max()), float(np.abs(speed).max())


@pytest.mark.compiled
def test_torque_from_rest_agrees_with_the_tight_solver(bench: Bench, known: tuple) -> None:
    rest, _, _ = known
    torque, speed = errors(bench, start(bench), rest)
    assert torque < 1e-6 and speed < 1e-7
    assert np.abs(rest.true_torque).max() > 50.0


@pytest.mark.compiled
def test_torque_at_full_speed_agrees_with_the_tight_solver(bench: Bench, known: tuple) -> None:
    _, state, after = known
    run = start(bench)
    load_state(bench, run, state)
    torque, speed = errors(bench, run, after)
    assert torque < 1e-5 and speed < 1e-6
    assert np.abs(after.true_torque).max() > 50.0


@pytest.mark.compiled
@pytest.mark.parametrize("method", ["etd4", "rk4"])
def test_finer_steps_come_closer_to_the_tight_solver(bench: Bench, known: tuple, method: str) -> None:
    """By four to the fourth, 256."""
    _, state, after = known
    found = []
    for count in (1, 4):
        run = start(bench, method=method, fixed=count)
        load_state(bench, run, state)
        found.append(errors(bench, run, after)[0])
    assert found[0] < 1e-3 and 200.0 < found[0] / found[1] < 320.0


def test_a_state_of_the_solver_fills_every_slot_that_matters(bench: Bench, known: tuple) -> None:
    """The first records after a restart agree, so nothing was left at zero."""
    _, state, after = known
    run = start(bench)
    load_state(bench, run, state)
    run.advance(state.tick * ORACLE_TICK + 1_500_000)
    torque = channel(bench, run, "true_torque")
    assert len(torque) == 15
    assert np.abs(torque - after.true_torque[:15]).max() < 1e-4
    free = {"trip", "setpoint", "error", "break", "output", "energy", "throughput", "highest", "lowest"}
    left = [
        s.name
        for s, value in zip(bench.model.layout.slots, run.state, strict=True)
        if value == 0.0 and not free & set(s.name.replace("[", ".").split(".")) and "_limit[" not in s.name
    ]
    assert left == []


def _program() -> ModuleType:
    path = Path(__file__).parents[1] / "benchmarks" / "reference.py"
    spec = importlib.util.spec_from_file_location("reference_program", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> tuple[ModuleType, Path]:
    module = _program()
    built = module.build(folder=tmp_path_factory.mktemp("program"))
    if built is None:
        pytest.skip("no C compiler")
    return module, built


def test_program_agrees_with_the_tight_solver(program: tuple[ModuleType, Path], known: tuple) -> None:
    module, built = program
    columns = module.run(built, duration=0.05)
    rest, _, _ = known
    assert np.abs(columns["true_torque"] - rest.true_torque).max() < 1e-5
    assert np.abs(columns["drive_speed"] - rest.drive_speed).max() < 1e-7


@pytest.mark.compiled
@pytest.mark.parametrize(("quantiser", "bound"), [(False, 1e-2), (True, 2e-2)])
def test_two_seconds_agree_with_the_program(
    program: tuple[ModuleType, Path], quantiser: bool, bound: float
) -> None:
    module, built = program
    columns = module.run(built, quantiser=quantiser)
    description = shipped("reference-bench")
    bench = build_bench(description if quantiser else without_quantiser(description))
    run = start(bench)
    run.advance(2_000_000_001)
    torque, speed = channel(bench, run, "true_torque"), channel(bench, run, "drive_speed")
    assert len(torque) == len(columns["time"]) == 20_001
    assert np.abs(torque - columns["true_torque"]).max() < bound
    assert np.abs(speed - columns["drive_speed"]).max() < 1e-3
    assert np.abs(torque).max() > 80.0
