"""A PM machine with a flux map on a bench: independent solutions in time, constant inductances as a limit."""

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, fsolve

from analysis.test_lanes import assert_as_single
from fluxes import MAGNETS, Saturated, mapped
from rigs import (
    RECTIFIER,
    Table,
    describe,
    disc,
    hold,
    ramp,
    sensor,
    servo,
    speed_loop,
    step,
    torque_loop,
)
from shaftloop.analysis import hypermap
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.answers.run import find_run
from shaftloop.bench.assemble import build_bench
from shaftloop.engine import at
from shaftloop.engine.steprule import longest_step
from shaftloop.report.run.saturation import saturation_picture
from shaftloop.scenario.reading import read_scenario

Array = NDArray[np.float64]

PLAIN = Saturated(2500.0, 0.0, 1.0, 5000.0 / 3.0, 0.0, 1.0, 0.0, 275.0)
"""Without saturation: 0.4 mH, 0.6 mH, 0.11 Wb."""
RECORD = {"rate": "10 kHz", "channels": ["m.current_d", "m.current_q", "m.flux_d", "m.flux_q"]}
P, R, LD, LQ, PSI, J, HUB = 4, 0.05, 0.4e-3, 0.6e-3, 0.11, 0.03, 0.02


@cache
def rows(machine: Saturated, along: int = 31, across: int = 41, most: float = 220.0) -> Any:
    return machine.rows(np.linspace(-most, 0.25 * most, along), np.linspace(-most, most, across))


def driven(machine: Table, *moves: Table, speed: str = "900 rpm", **keys: Any) -> Table:
    """Return a machine whose torque is asked for directly, at a speed that a stiff drive keeps."""
    line = [servo("drive", 0.05), sensor("ts", 1e5, damping="10 N m s/rad"), machine]
    loops = [speed_loop("drive", 30.0, 300.0), torque_loop("m", "ts")]
    up = [ramp(speed, "0.1 s"), hold("0.1 s")]
    return {"line": line, "loop": loops, "sequence": [*up, *moves], "supply": {"voltage": "560 V"}, **keys}


def at_end(run: Simulation, name: str) -> float:
    return float(run.traces[name][-1])


def closes(run: Simulation) -> bool:
    """Return whether the energy of the machine closes, in every balance of it."""
    own = [entry for entry in run.energies.balances if entry.element.startswith("m")]
    return len(own) >= 2 and all(entry.residual < 1e-5 for entry in own)


def sampled(torque: float, ticks: int) -> Array:
    """Return currents at the ticks and torque on a free line, by equations that are written once more here.

    Two bodies, constant inductances in the control, the closed form of the currents in the machine.
    """
    constant, a, period = 1.5 * P * PSI, 2.0 * math.pi * 500.0, 1e-4

    def rates(_: float, y: Array, vd: float, vq: float) -> list[float]:
        d, q = MAGNETS.currents(y[0], y[1])
        shaft, turning = 1e5 * y[4] + 10.0 * (y[2] - y[3]), P * y[2]
        made = 1.5 * P * (y[0] * q - y[1] * d)
        flux = [vd - R * d + turning * y[1], vq - R * q - turning * y[0]]
        return [*flux, (made - shaft) / J, (shaft - 0.3 * y[3]) / HUB, y[2] - y[3]]

    y, volts, next_volts, memory, found = np.zeros(5), (0.0, 0.0), (0.0, 0.0), np.zeros(2), []
    y[0] = brentq(lambda flux: MAGNETS.currents(flux, 0.0)[0], 0.05, 0.2, xtol=1e-15)
    for _ in range(ticks):
        volts = next_volts
        d, q = MAGNETS.currents(y[0], y[1])
        found.append((d, q, 1.5 * P * (y[0] * q - y[1] * d), y[2]))
        errors, turning = np.array([0.0 - d, torque / constant - q]), P * y[2]
        ahead = np.array([-turning * LQ * q, turning * (LD * d + PSI)])
        next_volts = tuple(a * np.array([LD, LQ]) * errors + memory + ahead)
        memory = memory + period * a * R * errors
        y = solve_ivp(rates, (0.0, period), y, "DOP853", args=volts, rtol=1e-10, atol=1e-12).y[:, -1]
    return np.array(found)


def test_a_run_is_that_of_the_equations_with_a_control_of_its_own() -> None:
    control = {"rate": "10 kHz", "bandwidth": "500 Hz", "strategy": "zero_d", "field_weakening": False}
    machine = mapped(rows(MAGNETS, 37, 51, 160.0), current_control=control, current_limit="150 A")
    line = [machine, sensor("ts", 1e5, damping="10 N m s/rad")]
    line.append(disc("hub", HUB) | {"drag": {"viscous": "0.3 N m s/rad"}})
    document = {"line": line, "loop": [torque_loop("m", "ts")], "sequence": [step("torque", "90 N m")]}
    run = simulate(
        describe(document | {"supply": {"voltage": "560 V"}, "duration": "60 ms", "record": RECORD})
    )
    wanted = sampled(90.0, 600)
    torque, speed = run.traces["m_torque"][:600], run.traces["m_speed"][:600]
    assert np.max(np.abs(torque - wanted[:, 2])) < 1e-5 * np.max(np.abs(wanted[:, 2]))
    assert np.max(np.abs(speed - wanted[:, 3])) < 1e-5 * np.max(wanted[:, 3])
    # What its control samples at a tick is recorded at the next.
    for column, name in enumerate(("m.current_d", "m.current_q")):
        assert np.max(np.abs(run.traces[name][1:600] - wanted[:599, column])) < 1e-5 * 136.0
    assert closes(run)


@cache
def shorted(rows_of: Any) -> Simulation:
    fault = {"name": "short", "on": "m", "kind": "shorted", "at": "0.2 s"}
    document = driven(mapped(rows_of, current_limit="150 A"), hold("0.2 s"), fault=[fault], record=RECORD)
    return simulate(describe(document))


def test_a_short_circuit_is_that_of_the_equations() -> None:
    """Its fluxes turn to where currents are far beyond the limit: the table here reaches as far."""
    found = shorted(rows(MAGNETS, 51, 51, 700.0))
    after = found.time > 0.2
    times, speeds = found.time[after], found.traces["m_speed"]
    first = [found.traces[name][~after][-1] for name in ("m.flux_d", "m.flux_q")]

    def rates(t: float, y: Array) -> list[float]:
        d, q = MAGNETS.currents(y[0], y[1])
        turning = P * np.interp(t, found.time, speeds)
        return [-R * d + turning * y[1], -R * q - turning * y[0]]

    begin = found.time[~after][-1]
    assert begin == pytest.approx(0.2, abs=1e-9)
    solved = solve_ivp(
        rates, (begin, times[-1]), first, "DOP853", times, rtol=1e-10, atol=1e-12, max_step=1e-4
    )
    for name, flux in zip(("m.flux_d", "m.flux_q"), solved.y, strict=True):
        assert np.max(np.abs(found.traces[name][after] - flux)) < 2e-4 * 0.11
    assert closes(found)


def test_blocked_pulses_settle_where_the_equations_say() -> None:
    """Voltages of 2/pi of the link's against the current, and the fluxes of the closed form."""
    fault = {"name": "off", "on": "m", "kind": "pulses_off", "at": "0.2 s"}
    found = simulate(
        describe(
            driven(mapped(rows(MAGNETS)), hold("0.3 s"), speed="3500 rpm", fault=[fault], record=RECORD)
            | {"supply": {"voltage": "150 V"}}
        )
    )
    turning, bridge = P * at_end(found, "m_speed"), 2.0 / math.pi * 150.0

    def left(flux: Array) -> list[float]:
        d, q = MAGNETS.currents(*flux)
        size = math.hypot(d, q)
        return [
            -bridge * d / size - R * d + turning * flux[1],
            -bridge * q / size - R * q - turning * flux[0],
        ]

    flux = fsolve(left, [0.09, -0.02], xtol=1e-13)
    assert [at_end(found, "m.flux_d"), at_end(found, "m.flux_q")] == pytest.approx(flux, rel=2e-4)
    assert closes(found)


def test_blocked_pulses_ask_for_the_same_steps_on_a_live_link() -> None:
    """The states of a map are fluxes, the link's is a voltage: neither stands for the other."""
    fault = {"name": "off", "on": "m", "kind": "pulses_off", "at": "0.2 s"}
    asked = driven(mapped(rows(MAGNETS)), hold("0.3 s"), fault=[fault])
    steps = []
    for supply in ({"voltage": "560 V"}, RECTIFIER):
        (failed,) = build_bench(describe({**asked, "supply": supply})).model.faults
        assert failed.plant is not None
        steps.append(longest_step(failed.plant([failed])[0], at.ETD4))
    assert steps[1] == pytest.approx(steps[0]) == pytest.approx(12.5e-6)


def both(**keys: Any) -> tuple[Table, Table]:
    """Return a machine with constant inductances, of short steps, and with a map of the same."""
    constant = mapped((), max_speed="20000 rpm", **keys)
    del constant["flux_map"]
    return constant, mapped(rows(PLAIN, 9, 9), max_speed="20000 rpm", **keys)


def test_without_saturation_a_run_is_that_of_constant_inductances() -> None:
    heat = {"winding_capacity": "50 J/K", "winding_resistance": "0.2 K/W", "housing_capacity": "300 J/K"}
    heat |= {"housing_resistance": "0.1 K/W", "start": "90 degC"}
    heat |= {"resistance_coefficient": "0.0039 1/K", "flux_coefficient": "-0.001 1/K"}
    iron = {"hysteresis": "0.3 N m", "eddy": "1 mN m s/rad", "under_load": True}
    ripple = [{"order": 12, "amplitude": "2 N m", "scales": "torque"}]
    more = {"heat": heat, "iron_loss": iron, "ripple": ripple, "inverter": {"proportional": "1 V"}}
    moves = step("torque", "80 N m"), hold("0.1 s"), step("torque", "-60 N m"), hold("0.1 s")
    for supply in ({"voltage": "560 V"}, RECTIFIER):
        one, other = (
            simulate(describe(driven(machine, *moves) | {"supply": supply})) for machine in both(**more)
        )
        assert one.traces.keys() == other.traces.keys()
        for name in ("m_torque", "m_speed", "true_torque", "m_energy"):
            scale = float(np.max(np.abs(one.traces[name])))
            assert np.max(np.abs(one.traces[name] - other.traces[name])) < 1e-6 * scale, name
        assert closes(other)


def test_without_saturation_margins_are_those_of_constant_inductances(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With finer differences than usual, whose own error is 1e-5 here."""
    monkeypatch.setattr(hypermap, "_RELATIVE_STEP", 1e-4)
    found = []
    for machine in both():
        document = driven(machine, step("torque", "50 N m"), hold("0.1 s"))
        document["loop"][1] |= {"kp": 0.05, "ki": "60 1/s", "feedforward": 0.0}
        torque = analyse_loops(describe(document), ["torque"])["torque"].margins
        found.append((torque.gain_margin, torque.phase_margin, torque.ms, torque.crossover))
    assert found[1] == pytest.approx(found[0], rel=1e-6)


@pytest.mark.parametrize("torque", [80.0, -80.0])
def test_a_table_of_torques_makes_what_is_commanded(torque: float) -> None:
    control = {"rate": "10 kHz", "bandwidth": "500 Hz", "torque_table": True}
    machine = mapped(rows(MAGNETS), current_control=control)
    run = simulate(describe(driven(machine, step("torque", f"{torque} N m"), hold("0.1 s"))))
    command = at_end(run, "torque_command")
    assert abs(command) == pytest.approx(80.0) and closes(run)
    # On the right of the sensor it makes a positive reading by turning backwards.
    assert at_end(run, "m_torque") == pytest.approx(-command, rel=1e-4)
    assert run.bench.machines["m"].torque_curve() is None


def test_more_than_the_table_has_is_asked_for_as_its_largest() -> None:
    control = {"rate": "10 kHz", "bandwidth": "500 Hz", "torque_table": True}
    machine = mapped(rows(MAGNETS), current_control=control)
    run = simulate(describe(driven(machine, step("torque", "400 N m"), hold("0.1 s"), record=RECORD)))
    assert math.hypot(at_end(run, "m.current_d"), at_end(run, "m.current_q")) == pytest.approx(
        200.0, rel=1e-4
    )


def test_a_steady_state_makes_the_torque_of_the_map() -> None:
    """A command is turned into currents by what the control believes; what they make the map says."""
    description = describe(driven(mapped(rows(MAGNETS)), step("torque", "80 N m"), hold("0.1 s")))
    bench = HyperMap(description)
    point = operating_point(build_bench(description, smooth=True))
    state = held_state(bench, point)
    machine = bench.bench.machines["m"]
    command = float(state[machine.command_slot])
    d, q = (float(state[slot]) for slot in machine.currents)
    believed = 1.5 * P * (PSI + (LD - LQ) * d) * q
    assert believed == pytest.approx(command, rel=1e-6)
    flux = MAGNETS.fluxes(d, q)
    made = 1.5 * P * (flux[0] * q - flux[1] * d)
    twist = float(state[bench.bench.model.layout.number("ts.twist")])
    assert made == pytest.approx(-1e5 * twist, rel=1e-5)
    assert abs(made / believed - 1.0) > 4e-3


def test_lanes_have_the_bits_of_single_runs() -> None:
    documents = []
    for k in range(3):
        machine = mapped(rows(MAGNETS, 9, 9), resistance=f"{50 + 2 * k} mohm")
        documents.append(driven(machine, step("torque", f"{60 + k} N m"), hold("20 ms"), duration="0.22 s"))
    descriptions = [describe(document) for document in documents]
    assert_as_single(descriptions, list(simulate_many(descriptions)), in_lanes=True)


def test_what_follows_from_the_map() -> None:
    bench = build_bench(describe(driven(mapped(rows(MAGNETS)))))
    found = {name: value for name, (value, _) in bench.machines["m"].derived().items()}
    # Least current per torque at the limit, with the inductances of the control: Δ = 0.2 mH, 0.11 Wb.
    root = math.sqrt(PSI**2 + 8.0 * (2e-4 * 200.0) ** 2)
    d = -2.0 * 2e-4 * 200.0**2 / (PSI + root)
    q = math.sqrt(200.0**2 - d * d)
    flux = MAGNETS.fluxes(d, q)
    assert found["torque_at_current_limit"] == pytest.approx(6.0 * (flux[0] * q - flux[1] * d), rel=1e-5)
    assert found["believed_torque_at_current_limit"] == pytest.approx(6.0 * (PSI - 2e-4 * d) * q, rel=1e-9)
    assert found["characteristic_current"] == pytest.approx(MAGNETS.magnets, rel=1e-2)
    volts = 560.0 / math.sqrt(3.0)
    assert found["base_speed"] == pytest.approx(volts / (P * math.hypot(*flux)), rel=1e-5)
    assert found["map_misfit_current"] < 0.01 and found["map_curl"] < 1e-6
    curve = bench.machines["m"].torque_curve()
    assert curve is not None and curve.current[-1] == 200.0
    assert (curve.made[-1], curve.believed[-1]) == (
        found["torque_at_current_limit"],
        found["believed_torque_at_current_limit"],
    )
    assert bench.machines["drive"].torque_curve() is None
    most, short = found["torque_at_current_limit"], bench.machines["m"].too_weak
    assert short(0.99 * most, 10.0) is None
    assert (violation := short(1.01 * most, 10.0)) is not None
    assert violation.allowed == pytest.approx(most, rel=1e-9)


def test_the_picture_says_what_is_missing_at_the_limit() -> None:
    answer = find_run(read_scenario("saturated-drive", ["duration=5 ms"]))
    picture = saturation_picture(answer)
    assert picture is not None and picture.name == "torque_per_current" and picture.svg()
    assert (
        picture.title == "At 240 A drive makes 148 N m, 26 % less than the 200 N m that its control believes"
    )
    assert saturation_picture(find_run(read_scenario("reference-bench", ["duration=5 ms"]))) is None
