"""The arrays of a bench against an evaluation of its network in plain Python."""

import math

import numpy as np
import pytest
from evaluate import evaluate
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from rigs import SHIPPED, rough, shipped, start, ticks
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.bench.parts.ratings import WATCHED
from shaftloop.engine import at
from shaftloop.engine.compiled.kernel import probe
from shaftloop.engine.compiled.steppers import set_z
from shaftloop.engine.run import Run
from shaftloop.kernels.arrays import Numbers
from shaftloop.kernels.decorators import kernel
from shaftloop.kernels.views import alone, numbers_alone, words
from shaftloop_models.network import ONE, Ref

Array = NDArray[np.float64]

_SCALE = {"rad/s": 100.0, "rad": 1e-3, "N m": 50.0, "A": 80.0, "V": 150.0, "Wb": 0.5}


ALL = (*SHIPPED, "rough", "padded")
"""The last has 25 states, so three held inputs of its induction machine lie under the padding of products."""


def built(name: str) -> Bench:
    if name == "padded":
        return build_bench(shipped("warm-rotor", "line.ts.filter.order=4"))
    return build_bench(rough() if name == "rough" else shipped(name))


@kernel
def fill(it: NDArray[np.int64], numbers: Numbers, s: Array, w: Array, z: int) -> None:
    et = words(numbers[1]), words(numbers[3])
    set_z(words(it), numbers_alone(numbers[0]), et, alone(s), alone(w), z)


def random_state(slots: list[tuple[str, str]], seed: int) -> Array:
    rng = np.random.default_rng(seed)
    return np.array([(2.0 if name == "angle" else _SCALE[unit]) * rng.normal() for name, unit in slots])


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_derivative_and_z_equal_the_network(name: str, seed: int) -> None:
    bench = built(name)
    plant, net = bench.model.plant, bench.model.plant.network
    states = random_state(net.states, seed)
    helds = random_state(net.helds, seed + 10)
    known = evaluate(net, states, helds)
    run = start(bench)
    run.state[: len(states) + len(helds)] = [*states, *helds]
    place = int(run.tables.it[at.Z])
    fill(run.tables.it, run.tables.numbers, run.state, run.work, place)
    z = run.work[place:]
    for ref in (*plant.rows, ONE, *(Ref("output", i) for i in range(len(net.outputs)))):
        assert z[plant.z(ref)] == pytest.approx(known.values[ref], rel=1e-12, abs=1e-12)
    r, n = plant.padded_signals, len(states)
    assert np.array_equal(z[r : r + n], states)
    assert np.array_equal(z[r + n : r + n + len(helds)], helds)
    outputs = [z[plant.z(Ref("output", i))] for i in range(len(net.outputs))]
    slope = plant.a @ states + plant.b @ helds + plant.g @ np.array(outputs)
    pairs = ((plant.a, states), (plant.b, helds), (plant.g, outputs))
    parts = sum(np.abs(matrix) @ np.abs(values) for matrix, values in pairs)
    assert np.all(np.abs(slope - known.derivative) <= 1e-12 * parts)


def after_a_gap(run: Run, held: Array, length: int) -> Array:
    """Return z after some ticks from plant states and inputs, by the kernel and without noise."""
    gap = run.prepare(length)
    tables = run.tables
    run.state[: len(held)] = held
    z = probe(tables.it, tables.numbers, run.state, run.work, np.full((3, 1), -1), gap)
    return run.work[z : z + tables.it[at.Z_SIZE]]


@pytest.mark.parametrize("method", ["etd4", "rk4"])
@pytest.mark.parametrize("name", ALL)
def test_a_gap_equals_a_tight_solution_of_the_network(name: str, method: str) -> None:
    """Through the tables of the kernel, so that a misplaced matrix or term shows."""
    bench = built(name)
    net, n = bench.model.plant.network, len(bench.model.plant.network.states)
    share = 0.01 if name == "micro-spindle" else 1.0
    states = share * random_state(net.states, 4)
    helds = random_state(net.helds, 5)
    run = start(bench, method=method, fixed=8)
    length = ticks(run, 5e-6)
    z = after_a_gap(run, np.concatenate([states, helds]), length)
    found = z[bench.model.plant.padded_signals :][:n]
    solution = solve_ivp(
        lambda _, x: evaluate(net, x, helds).derivative,
        (0.0, length / run.clock.ticks_per_second),
        states,
        method="DOP853",
        rtol=1e-11,
        atol=1e-12,
    )
    known = solution.y[:, -1]
    assert np.all(np.abs(found - known) <= 1e-7 * np.abs(known - states) + 1e-12 * np.abs(states))


@pytest.mark.parametrize("name", ALL)
def test_slots_are_plant_states_then_inputs_and_names_are_unique(name: str) -> None:
    bench = built(name)
    layout, net = bench.model.layout, bench.model.plant.network
    names = [slot.name for slot in layout.slots]
    expected = [state for state, _ in net.states] + [held for held, _ in net.helds]
    assert names[: len(expected)] == expected
    assert len(set(names)) == len(names) == len(layout.initial)
    watched = {watch.slot + i for watch in bench.watches for i in range(WATCHED)}
    kept = [slot for number, slot in enumerate(layout.slots) if number not in watched]
    accumulators = [slot.name for slot in kept if slot.kind.value == "accumulator"]
    assert accumulators[: len(net.meters)] == [f"energy.{meter.name}" for meter in net.meters]
    assert len(accumulators) == 2 * len(net.meters) + 2 * len(bench.model.peaks)


def test_mechanics_of_the_reference_bench() -> None:
    """A few entries by hand: the sensor's left end, 0.0012 kg m², between 25 and 60 kN m/rad."""
    bench = build_bench(shipped("reference-bench"))
    names = [name for name, _ in bench.model.plant.network.states]
    a = bench.model.plant.a
    left, right = (edge.left for edge in bench.line.edges[1:3])
    body = bench.line.nodes[left].speed.index
    entries = {
        names.index("c1.twist"): 2.5e4 / 0.0012,
        names.index("ts.twist"): -6e4 / 0.0012,
        names.index("drive.speed"): 2.0 / 0.0012,
        body: -3.0 / 0.0012,
        bench.line.nodes[right].speed.index: 1.0 / 0.0012,
    }
    assert {i: a[body, i] for i in np.flatnonzero(a[body])} == {
        i: pytest.approx(value, rel=1e-14) for i, value in entries.items()
    }
    fastest = np.max(np.abs(np.linalg.eigvals(a)))
    assert math.isclose(fastest, 1.1e4, rel_tol=0.05)
