"""Structures of a loop on the smooth bench: the controller that is measured is the one that is written."""

import cmath
import math
from dataclasses import replace

import numpy as np
import pytest

from rigs import Table, coupling, describe, sensor, servo, shipped, slot, speed_loop, torque_loop
from shaftloop.analysis.budget import latency_budget
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.injection import measure_response
from shaftloop.analysis.margins import loop_margins
from shaftloop.analysis.openloop import OpenLoop, spectral_radius
from shaftloop.analysis.operating import OperatingPoint, operating_point
from shaftloop.analysis.response import fundamental
from shaftloop.bench.parts.ratings import WATCHED
from shaftloop.control.structures import controller_response
from shaftloop.engine import at
from shaftloop.engine.rows import LOOP_NUMBERS
from shaftloop.scenario.description import Description

pytestmark = pytest.mark.compiled

RATE = 10_000.0
POINT = OperatingPoint({"speed": 50.0, "torque": 20.0}, 50.0, 20.0)
FREQUENCIES = np.array([3.0, 40.0, 170.0, 900.0, 3100.0])
MODEL: Table = {"model_gain": 0.6, "time_constant": "3 ms", "delay": "2.3 samples"}
SPEED_MODEL: Table = {"model_gain": "30 rad/(N m s)", "time_constant": "0.6 s", "delay": "1 sample"}
OBSERVER: Table = {**MODEL, "cutoff": "25 Hz"}
DERIVATIVE: Table = {"kd": "0.2 ms", "derivative_cutoff": "400 Hz"}
DAMPING: Table = {"gain": "2 N m s/rad", "left": "drive", "right": "load"}
FILTER: Table = {"kind": "low_pass", "cutoff": "900 Hz"}


def small(torque: Table, speed: Table | None = None, hops: dict[str, str] | None = None) -> Description:
    """All tasks at one rate, so that L is an ordinary discrete response."""
    drag = {"viscous": "0.02 N m s/rad"}
    keys = {"kp": 0.2, "ki": "50 1/s", "feedforward": 0.0, "anti_windup": "back_calculation"}
    document = {
        "line": [
            servo("drive", 0.1, drag=drag, time_constant="1 ms"),
            sensor("ts", 2e4, damping="15 N m s/rad", latency="200 us"),
            servo("load", 0.1, drag=drag, time_constant="1 ms"),
        ],
        "loop": [
            speed_loop("drive", 2.0, 4.0, **(speed or {})),
            torque_loop("load", **{"reads": "ts", **keys, **torque}),
        ],
        "hop": [{"name": n, "carries": c, "period": "100 us"} for n, c in (hops or {}).items()],
        "sequence": [{"do": "hold", "time": "0.1 s"}],
    }
    return describe(document)


def rig(torque: Table, speed: Table | None = None) -> HyperMap:
    return HyperMap(small(torque, speed))


def response(bench: HyperMap, name: str = "torque") -> np.ndarray:
    return fundamental(opened(bench, name), FREQUENCIES)


def opened(bench: HyperMap, name: str = "torque") -> OpenLoop:
    return bench.open([bench.bench.loops[name]], bench.steady(POINT))


def pulse(model: Table, gain: float, z: complex, delay: float) -> complex:
    """Response of lag and delay behind a hold, summed from samples of the step response."""
    lag = float(model["time_constant"].split()[0]) * (1e-3 if "ms" in model["time_constant"] else 1.0)
    k = np.arange(round(40 * lag * RATE))
    rise = [1.0 - np.exp(-np.maximum(k / RATE - delay - late, 0.0) / lag) for late in (0.0, 1.0 / RATE)]
    return complex(np.sum(gain * (rise[0] - rise[1]) * z ** (-1.0 * k)))


def written(
    keys: Table, frequency: float, kp: float, ki: float, models: tuple[Table, float, float]
) -> complex:
    """C(z), put together once more from the definitions."""
    z = cmath.exp(2j * math.pi * frequency / RATE)
    model, gain, samples = models
    c = kp + ki / RATE / (z - 1.0)
    if "kd" in keys:
        pole = math.exp(-2.0 * math.pi * 400.0 / RATE)
        kd = float(keys["kd"].split()[0]) * (1e-3 if "ms" in keys["kd"] else 1.0)
        c += kd * RATE * (1.0 - 1.0 / z) * (1.0 - pole) / (1.0 - pole / z)
    if "filters" in keys:
        t = math.tan(math.pi * 900.0 / RATE)
        c *= t * (1.0 + 1.0 / z) / (1.0 + t + (t - 1.0) / z)
    prompt, late = pulse(model, gain, z, 0.0), pulse(model, gain, z, samples / RATE)
    inner: complex = 1.0
    if "predictor" in keys:
        inner += c * (prompt - late)
    if "disturbance_observer" in keys:
        pole = math.exp(-2.0 * math.pi * 25.0 / RATE)
        q = (1.0 - pole) / (z - pole)
        c += q / prompt
        inner -= q * late / prompt
    return c / inner


STRUCTURES: list[Table] = [
    DERIVATIVE,
    {**DERIVATIVE, "derivative_of": "error", "filters": [FILTER]},
    {"predictor": MODEL},
    {"predictor": {**MODEL, "delay": "4 samples"}, "filters": [FILTER]},
    {"disturbance_observer": OBSERVER},
    {"disturbance_observer": OBSERVER, "filters": [FILTER], "setpoint_filter": "20 Hz", "feedforward": 0.5},
    {"disturbance_observer": OBSERVER, "predictor": MODEL, "filters": [FILTER], **DERIVATIVE},
]


@pytest.mark.parametrize("keys", STRUCTURES, ids=lambda keys: "+".join(keys))
def test_response_changes_by_what_is_written(keys: Table) -> None:
    """Plant and sensor are the same, so L with the structure over L without is C over that of the PI."""
    bench = rig(keys)
    ratio = response(bench) / response(rig({}))
    samples = 4.0 if keys.get("predictor", MODEL)["delay"] == "4 samples" else 2.3
    for value, frequency in zip(ratio, FREQUENCIES, strict=True):
        plain = written({}, frequency, 0.2, 50.0, (MODEL, 0.6, samples))
        whole = written(keys, frequency, 0.2, 50.0, (MODEL, 0.6, samples))
        assert value == pytest.approx(whole / plain, rel=2e-6)
        shift = cmath.exp(2j * math.pi * frequency / RATE)
        assert controller_response(bench.bench.loops["torque"].parameters, shift) == pytest.approx(whole)


def test_a_speed_loop_takes_them_too() -> None:
    keys: Table = {
        "kd": "0.004 N m s^2/rad",
        "derivative_cutoff": "400 Hz",
        "predictor": SPEED_MODEL,
        "disturbance_observer": {**SPEED_MODEL, "cutoff": "25 Hz"},
    }
    ratio = response(rig({}, keys), "speed") / response(rig({}), "speed")
    models = (SPEED_MODEL, 30.0, 1.0)
    for value, frequency in zip(ratio, FREQUENCIES, strict=True):
        expected = written(keys, frequency, 2.0, 4.0, models) / written({}, frequency, 2.0, 4.0, models)
        assert value == pytest.approx(expected, rel=1e-5)


ALL: Table = {
    **DERIVATIVE,
    "active_damping": {**DAMPING, "cutoff": "4 Hz"},
    "disturbance_observer": OBSERVER,
    "predictor": MODEL,
    "filters": [FILTER],
}


@pytest.mark.parametrize(
    "keys",
    [{"active_damping": DAMPING}, {"disturbance_observer": OBSERVER}, ALL],
    ids=["damping", "observer", "all"],
)
def test_eigenvalues_lie_on_the_circle_where_l_is_minus_one(keys: Table) -> None:
    """An actuator of another gain, which the models do not know: L is the ratio at its input."""
    bench = rig(keys)
    loop, state = bench.bench.loops["torque"], bench.steady(POINT)
    margins = loop_margins(bench, loop, POINT, state)
    assert margins.stable and margins.gain_margin is not None and margins.gain_margin > 1.05
    share = bench.run.tables.it[at.TASK_FLOAT] + loop.task * at.TASK_WIDTH + LOOP_NUMBERS.share
    bench.run.tables.ft[share] = margins.gain_margin
    eigenvalues = np.linalg.eigvals(bench.dynamics(state))
    edge = eigenvalues[np.argmin(np.abs(np.abs(eigenvalues) - 1.0))]
    assert abs(edge) == pytest.approx(1.0, abs=1e-7)
    assert np.max(np.abs(eigenvalues)) == pytest.approx(1.0, abs=1e-7)
    frequency = abs(cmath.phase(edge)) * RATE / 2.0 / math.pi
    value = fundamental(margins.system, np.array([frequency]))[0]
    assert frequency > 10.0 and margins.gain_margin * value == pytest.approx(-1.0, abs=1e-5)


def test_opened_and_closed_again_the_bench_has_its_eigenvalues() -> None:
    bench = rig(ALL)
    state = bench.steady(POINT)
    whole = np.linalg.eigvals(bench.dynamics(state))
    closed = np.linalg.eigvals(bench.open([bench.bench.loops["torque"]], state).closed())
    for value in whole[np.abs(whole) > 0.5]:
        assert np.min(np.abs(closed - value)) < 1e-6


MULTIRATE = (
    "loop.torque.kd=0.1 ms",
    "loop.torque.derivative_cutoff=200 Hz",
    'loop.torque.active_damping={gain="0.3 N m s/rad", left="line", right="load", cutoff="3 Hz"}',
    'loop.torque.disturbance_observer={model_gain=0.8, time_constant="2 ms", delay="0.7 ms", cutoff="4 Hz"}',
    'loop.torque.predictor={model_gain=0.8, time_constant="2 ms", delay="0.7 ms"}',
)


def multirate() -> Description:
    """Wheel-hub with everything; a hop of its own brings the speed of the drive to the damping."""
    description = shipped("wheel-hub", *(s.replace('"line"', '"enc"') for s in MULTIRATE))
    hop = replace(description.hop[0], name="link", carries="enc")
    torque = description.loop[1]
    damped = replace(torque, active_damping=replace(torque.active_damping, left="link"))
    loops = (description.loop[0], damped, description.loop[2])
    return replace(description, hop=(*description.hop, hop), loop=loops)


def test_the_injected_response_agrees_on_a_bench_of_many_rates() -> None:
    description = multirate()
    bench = HyperMap(description)
    point = operating_point(bench.bench)
    system = bench.open([bench.bench.loops["torque"]], bench.steady(point))
    measured = measure_response(description, "torque", point, lowest=4.0, tones=12)
    exact = fundamental(system, measured.frequency)
    assert measured.response == pytest.approx(exact, rel=1e-4)


def test_the_budget_of_a_loop_with_structure_sums_up() -> None:
    """Its models keep their delays in seconds when the task is made faster, and hops are taken out."""
    keys: Table = {
        "reads": "bus",
        "kp": 1.5,
        "predictor": {**MODEL, "delay": "0.6 samples"},
        "active_damping": {**DAMPING, "left": "link", "gain": "0.5 N m s/rad"},
    }
    description = small(keys, hops={"bus": "ts", "link": "drive"})
    bench = HyperMap(description)
    margins = loop_margins(bench, bench.bench.loops["torque"], POINT, bench.steady(POINT))
    assert margins.crossover is not None
    budget = latency_budget(description, margins)
    assert budget is not None
    causes = {share.cause: share for share in budget.shares}
    assert sum(share.phase for share in budget.shares) == pytest.approx(budget.phase, abs=1e-9)
    assert causes["bus hops"].ideal is not None
    assert causes["control task: computation and hold"].ideal is not None
    keys["predictor"] = {**MODEL, "delay": "60 us"}
    in_seconds = latency_budget(small(keys, hops={"bus": "ts", "link": "drive"}), margins)
    assert in_seconds is not None
    phases = [share.phase for share in budget.shares]
    assert [share.phase for share in in_seconds.shares] == pytest.approx(phases, abs=1e-6)


@pytest.mark.parametrize("acts_on", ["load", "drive"])
def test_active_damping_adds_what_one_end_of_a_damper_adds(acts_on: str) -> None:
    """Two bodies and a soft coupling: half the gain over the inertia of the machine is the decay rate.

    The machine on the left is damped with the other sign; each has its set-point passed straight on, so
    nothing else closes the loop.
    """
    other = "drive" if acts_on == "load" else "load"
    gain, stiffness, inertia = 0.06, 40.0, {"drive": 0.02, "load": 0.05}

    def eigenvalue(value: float) -> complex:
        damping = {**DAMPING, "gain": f"{value} N m s/rad"}
        loops = [
            torque_loop(acts_on, "ts", active_damping=damping),
            torque_loop(other, "ts", name="other"),
        ]
        line = [
            servo("drive", inertia["drive"], drag={"viscous": "0.01 N m s/rad"}),
            coupling("c1", stiffness, damping="0.002 N m s/rad", inertia_right="1e-6 kg m^2"),
            sensor("ts", 1e5),
            servo("load", inertia["load"], drag={"viscous": "0.01 N m s/rad"}),
        ]
        sequence = [{"do": "hold", "time": "0.1 s"}]
        bench = HyperMap(describe({"line": line, "loop": loops, "sequence": sequence}))
        state = bench.steady(operating_point(bench.bench))
        found = np.linalg.eigvals(bench.dynamics(state))
        poles = np.log(found[np.abs(found) > 0.5].astype(complex)) / bench.hyperperiod
        ringing = poles[(poles.imag > 20.0) & (poles.imag < 200.0)]
        assert len(ringing) == 1
        return complex(ringing[0])

    free, damped = eigenvalue(0.0), eigenvalue(gain)
    # The command waits for the hold (half a tick) and the lag of the drive (1 us).
    turn = abs(free) * (0.5 / RATE + 1e-6)
    added = 0.5 * gain / inertia[acts_on]
    assert free.real - damped.real == pytest.approx(added * math.cos(turn), rel=2e-3)
    assert abs(free) == pytest.approx(math.sqrt(stiffness / 0.02 + stiffness / 0.05), rel=2e-3)


def test_observer_takes_a_constant_load_off_a_loop_without_integrator() -> None:
    """Drag of the load, 0.02·50 = 1 N m, adds to the torque at the sensor."""
    model = {**OBSERVER, "model_gain": 1, "time_constant": "1 ms", "delay": "2 samples", "cutoff": "3 Hz"}
    keys: Table = {"ki": "0 1/s", "feedforward": 1.0}
    without = rig(keys)
    reading = without.steady(POINT)[slot(without.bench, "ts.reading")]
    assert reading == pytest.approx(20.0 + 1.0 / 1.2, rel=1e-6)
    observed = rig({**keys, "disturbance_observer": model})
    state = observed.steady(POINT)
    assert spectral_radius(observed.dynamics(state)) < 1.0
    for name, expected in (("ts.reading", 20.0), ("torque.disturbance", 1.0), ("torque.sent", 19.0)):
        assert state[slot(observed.bench, name)] == pytest.approx(expected, rel=1e-6)


def test_a_plain_loop_has_no_slot_of_them() -> None:
    names = {s.name for s in rig({}).bench.model.layout.slots if s.name.startswith("torque.")}
    assert names == {
        *("torque.output", "torque.setpoint", "torque.error", "torque.break[0]", "torque.break[1]"),
        "torque.integral",
        *(f"torque.command_limit[{i}]" for i in range(WATCHED)),
    }
