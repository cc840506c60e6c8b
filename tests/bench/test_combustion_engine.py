"""An engine on a bench: closed forms of its orders, another solver in the time domain, energy, refusals."""

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from rigs import Table, coupling, describe, hold, ramp, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.interference import excitations
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.ratings import continuous
from shaftloop.analysis.simulation import simulate
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description
from shaftloop_models.combustion_engine import CombustionEngine
from shaftloop_models.crank import ideal_cycle

STROKE, ROD, BORE, RATIO, MASS = 0.08, 0.136, 0.08, 10.0, 0.5
STIFF, DAMPING = 800.0, 1.5
Array = NDArray[np.float64]


def engine(**keys: Any) -> Table:
    plain = {
        "part": "machine",
        "model": "combustion_engine",
        "name": "drive",
        "cylinders": 4,
        "bore": f"{BORE} m",
        "stroke": f"{STROKE} m",
        "rod_length": f"{ROD} m",
        "compression_ratio": RATIO,
        "oscillating_mass": f"{MASS} kg",
        "inertia": "0.15 kg m^2",
        "max_torque": "160 N m",
        "max_speed": "6000 rpm",
        "time_constant": "50 ms",
        "rated_torque": "120 N m",
        "drag": {"viscous": "0.02 N m s/rad"},
    }
    return {**plain, **keys}


def part(**keys: Any) -> CombustionEngine:
    found = bench([], **keys).line[0]
    assert isinstance(found, CombustionEngine)
    return found


def bench(sequence: list[Table], load: float = 0.25, **keys: Any) -> Description:
    """Return an engine on a soft coupling; its load machine keeps the speed."""
    line = [engine(**keys), coupling("c", STIFF, damping=f"{DAMPING} N m s/rad", inertia_right="0.01 kg m^2")]
    line += [sensor("ts", 1e5, damping="10 N m s/rad"), servo("load", load, time_constant="1 ms")]
    loops = [speed_loop("load", 80.0 * load, 400.0 * load), torque_loop("drive", "ts", rate="1 kHz")]
    sequence = sequence or [hold("1 ms")]
    return describe({"line": line, "loop": loops, "sequence": sequence, "record": {"rate": "5 kHz"}})


def position(angle: Array) -> Array:
    """Return the way of a piston from top dead centre [m], from the triangle of crank and rod."""
    r = 0.5 * STROKE
    return np.asarray(r + ROD - r * np.cos(angle) - np.sqrt(ROD**2 - (r * np.sin(angle)) ** 2))


def test_torque_of_masses_is_that_of_their_kinetic_energy_and_of_the_series() -> None:
    """T = -J'/2·w², J = m·(dx/dtheta)², by differences; the textbook's series within lambda²."""
    angle, small = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False), 1e-4

    def inertia(at: Array) -> Array:
        return np.asarray(MASS * ((position(at + small) - position(at - small)) / (2.0 * small)) ** 2)

    torque = -0.5 * (inertia(angle + 1e-3) - inertia(angle - 1e-3)) / 2e-3
    one = part(cylinders=1, highest_order=20.0)
    made = sum((order.masses * np.exp(1j * order.order * angle)).real for order in one.orders())
    assert made == pytest.approx(torque, abs=2e-3 * np.abs(torque).max())
    ratio, unit = 0.5 * STROKE / ROD, MASS * (0.5 * STROKE) ** 2
    series = {1.0: ratio / 4.0, 2.0: -0.5, 3.0: -0.75 * ratio, 4.0: -(ratio**2) / 4.0}
    found = {order.order: order.masses for order in one.orders()}
    for order, size in series.items():
        assert found[order] == pytest.approx(-1j * size * unit, abs=ratio**2 * abs(size) * unit + 1e-12)


def test_work_per_cycle_is_mean_torque_times_four_pi() -> None:
    """The ideal cycle's own work, (p3 - p2)·Vc·(1 - e^(1-n))/(n - 1), is what its torque integrates to."""
    area, n = 0.25 * math.pi * BORE**2, 1.32
    cold, added = ideal_cycle(area, 0.5 * STROKE, 0.5 * STROKE / ROD, RATIO, 2)
    angle = np.linspace(0.0, 4.0 * np.pi, len(added), endpoint=False)
    rest = area * STROKE / (RATIO - 1.0)
    # Pressure that makes a mean torque of 1 N m, from the closed form of the work of expansion.
    pressure = 4.0 * math.pi * (n - 1.0) / (rest * (1.0 - RATIO ** (1.0 - n)))
    lever = (position(angle + 1e-6) - position(angle - 1e-6)) / 2e-6
    volume = rest + area * position(angle)
    torque = np.where(angle < np.pi, pressure * (rest / volume) ** n * area * lever, 0.0)
    assert added == pytest.approx(torque, abs=1e-4 * torque.max())
    # Compression and expansion without heat give back what they take.
    assert abs(cold.mean()) < 1e-12 * cold.max()
    assert cold.max() > 50.0


@pytest.mark.parametrize(
    ("keys", "step_of"),
    [
        ({"cylinders": 1}, 0.5),
        ({"cylinders": 3}, 1.5),
        ({"cylinders": 4}, 2.0),
        ({"cylinders": 6}, 3.0),
        ({"cylinders": 3, "cycle": "two_stroke"}, 3.0),
        ({"cylinders": 4, "shares": [1.0, 1.0, 0.8, 1.0]}, 0.5),
    ],
)
def test_even_firing_leaves_multiples_of_half_the_number_of_cylinders(keys: Table, step_of: float) -> None:
    orders = [order.order for order in part(**keys).orders()]
    assert orders[0] == step_of
    assert all(order % step_of == 0.0 for order in orders)


def solved(z: int, torque: float, speed: float, until: float) -> Array:
    """Return the torque of the coupling by another solver, from pressure and geometry of every cylinder."""
    area, r, n = 0.25 * math.pi * BORE**2, 0.5 * STROKE, 1.32
    rest = area * STROKE / (RATIO - 1.0)
    whole = rest + area * STROKE
    pressure = 4.0 * math.pi * torque / z * (n - 1.0) / (rest * (1.0 - RATIO ** (1.0 - n)))
    offsets = 4.0 * math.pi * np.arange(z) / z

    def rate(at: Array) -> Array:
        root = np.sqrt(ROD**2 - (r * np.sin(at)) ** 2)
        return np.asarray(r * np.sin(at) * (1.0 + r * np.cos(at) / root))

    def crank(angle: float, turning: float) -> float:
        at = np.mod(angle - offsets, 4.0 * math.pi)
        share = (rest + area * position(at)) / whole
        cold = np.where((at < np.pi) | (at >= 3.0 * np.pi), 1e5 * (share**-n - 1.0), 0.0)
        hot = np.where(at < np.pi, pressure * (share * RATIO) ** -n, 0.0)
        masses = -0.5 * MASS * (rate(at + 1e-5) ** 2 - rate(at - 1e-5) ** 2) / 2e-5 * turning**2
        return float(np.sum((cold + hot) * area * rate(at) + masses))

    def slopes(_: float, x: Array) -> list[float]:
        angle, left, twist = x
        carried = STIFF * twist + DAMPING * (left - speed)
        return [left, (crank(angle, left) - 0.02 * left - carried) / 0.15, left - speed]

    time = np.arange(0.0, until, 2e-4)
    options = {"rtol": 1e-6, "atol": 1e-7, "max_step": 1e-3}
    # Friction and mean torque are there from the start.
    begin = [0.0, speed, (torque - 0.02 * speed) / STIFF]
    found = solve_ivp(slopes, (0.0, until), begin, "DOP853", time, **options)
    return np.asarray(STIFF * found.y[2] + DAMPING * (found.y[1] - speed))


@pytest.mark.parametrize("cylinders", [3, 4])
def test_steady_torque_in_the_coupling_is_that_of_another_solver(cylinders: int) -> None:
    """Half orders with three cylinders: the angle is wrapped after two turns, not one."""
    speed, torque = 100.0, 60.0
    sequence = [ramp("100 rad/s", "0.2 s"), step("torque", f"{torque} N m"), hold("2 s")]
    run = simulate(bench(sequence, load=200.0, cylinders=cylinders, highest_order=24.0))
    late = run.time > 1.7
    found = run.traces["c_torque"][late]
    other = solved(cylinders, torque, speed, 1.5)[-len(found) :]
    order = cylinders / 2.0
    for trace in (found, other):
        assert trace.mean() == pytest.approx(torque - 0.02 * speed, rel=0.02)

    def line(trace: Array, harmonic: float) -> float:
        time = 2e-4 * np.arange(len(trace))
        window = np.hanning(len(trace))
        turn = np.exp(-1j * harmonic * order * speed * time)
        return float(abs(np.sum(window * (trace - trace.mean()) * turn)) / np.sum(window) * 2.0)

    for harmonic in (1.0, 2.0, 3.0):
        assert line(found, harmonic) == pytest.approx(line(other, harmonic), rel=0.03)
    assert line(found, 1.0) > 5.0


def test_energy_closes_with_the_work_of_fuel() -> None:
    sequence = [
        ramp("100 rad/s", "0.2 s"),
        step("torque", "60 N m"),
        hold("0.5 s"),
        step("torque", "0 N m"),
        hold("0.3 s"),
    ]
    run = simulate(bench(sequence))
    assert metrics(run)["energy_residual"].value < 1e-5
    assert run.energies.fuel == run.energies.links["drive"] > 0.0
    assert run.energies.grid == pytest.approx(run.energies.links["load"], rel=1e-12)


def test_pulsation_does_not_count_against_the_rated_torque() -> None:
    """It is the rms of a run without pulsation; a heavy crank makes means over time those over angle."""
    sequence = [ramp("100 rad/s", "0.2 s"), step("torque", "60 N m"), hold("6 s")]
    for cylinders in (1, 4):
        runs = [
            simulate(bench(sequence, inertia="5 kg m^2", cylinders=cylinders, pulsating=pulsating))
            for pulsating in (True, False)
        ]
        made, mean = (continuous(run)[0].peak for run in runs)
        assert made == pytest.approx(mean, rel=0.03)
        assert np.std(runs[0].traces["drive_torque"]) > 0.5 * mean


def test_an_engine_does_not_brake_nor_fire_at_rest() -> None:
    stopped = simulate(bench([step("torque", "50 N m"), hold("0.3 s")], pulsating=False))
    assert stopped.traces["drive_torque"].max() == 0.0
    sequence = [ramp("100 rad/s", "0.2 s"), step("torque", "-50 N m"), hold("3 s")]
    braked = simulate(bench(sequence, pulsating=False))
    assert abs(braked.traces["drive_torque"]).max() == 0.0
    assert braked.traces["c_torque"][-1] == pytest.approx(-0.02 * 100.0, rel=0.05)


def test_lanes_and_single_runs_are_equal() -> None:
    benches = [
        bench([ramp("80 rad/s", "0.2 s"), step("torque", torque), hold("0.3 s")], cylinders=3)
        for torque in ("20 N m", "40 N m", "90 N m")
    ]
    for description, outcome in zip(benches, simulate_many(benches), strict=True):
        alone = simulate(description)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in alone.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name


def test_orders_stand_in_the_campbell_diagram() -> None:
    named = {entry.order: entry.source for entry in excitations(bench([], cylinders=3))}
    assert "cylinders of drive" in named[1.5]


def cycle(points: int = 24, **changed: float) -> list[Table]:
    table = []
    for i in range(points):
        angle = 4.0 * math.pi * i / points
        fired = 300.0 * math.sin(angle) ** 2 if angle < math.pi else 0.0
        table.append({"angle": f"{angle} rad", "motored": "0 N m", "fired": f"{fired} N m"})
    return table


def test_a_table_is_its_series() -> None:
    found = {order.order: order.fired for order in part(cylinders=1, gas=cycle(360)).orders()}
    angle = np.linspace(0.0, 4.0 * np.pi, 4000, endpoint=False)
    torque = np.where(angle < np.pi, np.sin(angle) ** 2, 0.0)
    for order, phasor in found.items():
        expected = 2.0 * np.mean(torque * np.exp(-1j * order * angle)) / torque.mean()
        assert phasor == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"bore": None}, "bore"),
        ({"rod_length": "30 mm"}, "above half the stroke"),
        ({"shares": [1.0, 1.0]}, "one for each of 4 cylinders"),
        ({"cylinders": 0}, "cylinders"),
        ({"gas": cycle()[:-6]}, "no hole"),
        ({"gas": cycle()[::-1]}, "rising"),
        ({"gas": [{**point, "fired": "-1 N m"} for point in cycle()]}, "would brake"),
        ({"heat": {}}, "no winding"),
    ],
)
def test_refusals(keys: Table, words: str) -> None:
    table = {key: value for key, value in engine(**keys).items() if value is not None}
    with pytest.raises(ScenarioError, match=words):
        describe({"line": [table], "duration": "1 s"})
