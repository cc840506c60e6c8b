"""Induction machines on a bench: an independent solution in time, poles, control, lanes, trips."""

import math
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import root

from rigs import coupling, describe, disc, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.poles import closed_poles
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.answers.margins import find_margins
from shaftloop.errors import SimulationError
from shaftloop.report.margins.room import details, pictures, verdict
from shaftloop.scenario.description import Description, Fault
from shaftloop.studies.vary import MarginsDemand

Array = NDArray[np.float64]

MACHINE = {
    "part": "machine",
    "model": "induction",
    "name": "load",
    "inertia": "0.03 kg m^2",
    "pole_pairs": 2,
    "stator_resistance": "0.7 ohm",
    "rotor_resistance": "0.6 ohm",
    "stator_leakage": "3.5 mH",
    "rotor_leakage": "4 mH",
    "main_inductance": "130 mH",
    "current_limit": "60 A",
    "max_speed": "4000 rpm",
    "rated_torque": "40 N m",
}
SCALAR = {
    "kind": "volts_per_hertz",
    "rate": "10 kHz",
    "frequency": "50 Hz",
    "rated_frequency": "50 Hz",
    "rated_voltage": "320 V",
    "rated_slip": "1.5 Hz",
}
ORIENTED = {"kind": "field_oriented", "rate": "10 kHz", "bandwidth": "400 Hz", "flux": "0.9 Wb"}
SATURATES = {"saturation": {"flux": "1.1 Wb", "exponent": 7}}
SUPPLY = {"voltage": "600 V"}


def alone(duration: str = "0.4 s", viscous: float = 0.05, **changes: Any) -> dict[str, Any]:
    """Return a machine on volts per hertz with a fan behind a stiff coupling."""
    control = SCALAR | changes.pop("control", {})
    machine = MACHINE | {"control": control, "drag": {"viscous": f"{viscous} N m s/rad"}} | changes
    line = [machine, coupling("c", 1e5, damping="5 N m s/rad"), disc("hub", 0.002)]
    return {"line": line, "supply": SUPPLY, "duration": duration, "record": {"rate": "10 kHz"}}


def driven(control: dict[str, Any], *moves: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """Return a machine whose torque is asked for directly, at a speed that a stiff drive keeps."""
    drive = servo("drive", 0.05)
    loops = [speed_loop("drive", 30.0, 300.0), torque_loop("load", "ts")]
    line = [drive, sensor("ts", 1e5, damping="10 N m s/rad"), MACHINE | {"control": control} | changes]
    return {"line": line, "loop": loops, "sequence": list(moves), "supply": SUPPLY}


def closes(run: Simulation) -> bool:
    """Return whether the energy of the machine closes, inside and at its rotor."""
    own = [entry for entry in run.energies.balances if entry.element.startswith("load")]
    return len(own) == 2 and all(entry.residual < 1e-5 for entry in own)


def at(speed: str, torque: str, hold: str = "0.6 s") -> list[dict[str, Any]]:
    ramp = {"do": "ramp", "loop": "speed", "to": speed, "over": "0.2 s"}
    rest = {"do": "hold", "time": hold}
    return [ramp, rest, step("torque", torque), rest]


def stationary(duration: float, viscous: float) -> tuple[Array, Array, Array]:
    """Return time, speed and torque of a start on the mains, by the equations of both windings at rest.

    Currents of the ordinary circuit in axes that do not turn, with the two bodies of the bench. Nothing is
    shared with the package, neither circuit nor axes nor stepper.
    """
    rs, rr, lm = 0.7, 0.6, 0.13
    ls, lr, p, w, volts = 3.5e-3 + lm, 4e-3 + lm, 2.0, 2.0 * math.pi * 50.0, 320.0
    inverse = np.linalg.inv(np.array([[ls, lm], [lm, lr]]))

    def rates(t: float, y: Array) -> Array:
        stator, rotor = complex(y[0], y[1]), complex(y[2], y[3])
        speed, hub, twist = y[4:7]
        # The first voltage is active one period after the first tick.
        source = volts * np.exp(1j * w * t) if t >= 1e-4 else 0.0
        currents = inverse @ np.array([stator, rotor])
        torque = 1.5 * p * (np.conj(stator) * currents[0]).imag
        shaft = 1e5 * twist + 5.0 * (speed - hub)
        d_stator = source - rs * currents[0]
        d_rotor = -rr * currents[1] + 1j * p * speed * rotor
        mechanics = [(torque - viscous * speed - shaft) / 0.03, shaft / 0.002, speed - hub]
        return np.array([d_stator.real, d_stator.imag, d_rotor.real, d_rotor.imag, *mechanics])

    times = np.arange(1, round(duration * 1e4)) * 1e-4
    y = np.zeros(7)
    first = solve_ivp(rates, (0.0, 1e-4), y, rtol=1e-10, atol=1e-12).y[:, -1]
    found = solve_ivp(rates, (1e-4, duration), first, "DOP853", times, rtol=1e-10, atol=1e-12)
    fluxes = found.y[0] + 1j * found.y[1], found.y[2] + 1j * found.y[3]
    current = inverse[0, 0] * fluxes[0] + inverse[0, 1] * fluxes[1]
    return times, found.y[4], 1.5 * p * (np.conj(fluxes[0]) * current).imag


def test_a_start_on_the_mains_is_that_of_the_equations_in_axes_at_rest() -> None:
    """The frequency is there at once, and so is the voltage, one period after the first tick."""
    run = simulate(describe(alone(current_limit="2 kA", control={"ramp": "10 MHz/s"})))
    times, speed, torque = stationary(0.4, 0.05)
    places = np.rint(times * 1e4).astype(int)
    assert np.max(np.abs(run.traces["load_speed"][places] - speed)) < 1e-4 * np.max(np.abs(speed))
    assert np.max(np.abs(run.traces["load_torque"][places] - torque)) < 1e-4 * np.max(np.abs(torque))
    assert closes(run)
    assert np.max(torque) > 150.0


def textbook_poles(description: Description, frequency: float) -> NDArray[np.complex128]:
    """Return the poles of a machine at no load on a stiff voltage, in axes that turn with it."""
    machine: Any = description.line[0]
    rs, rr, lm = machine.stator_resistance, machine.rotor_resistance, machine.main_inductance
    ls, lr, p, w = machine.stator_leakage + lm, machine.rotor_leakage + lm, 2.0, 2.0 * math.pi * frequency
    volts, inertia, drag = 320.0 * frequency / 50.0, 0.032, machine.drag.viscous
    coupled = np.array([[ls, 0.0, lm, 0.0], [0.0, ls, 0.0, lm], [lm, 0.0, lr, 0.0], [0.0, lm, 0.0, lr]])
    inverse = np.linalg.inv(coupled)

    def rates(x: Array) -> Array:
        i, turning = x[:4], x[4]
        psi = coupled @ i
        slip = w - turning
        drops = [
            volts - rs * i[0] + w * psi[1],
            -rs * i[1] - w * psi[0],
            -rr * i[2] + slip * psi[3],
            -rr * i[3] - slip * psi[2],
        ]
        torque = 1.5 * p * lm * (i[1] * i[2] - i[0] * i[3])
        return np.array([*(inverse @ drops), p / inertia * (torque - drag * turning / p)])

    rest = root(rates, [0.0, -volts / w / ls, 0.0, 0.0, w], tol=1e-13).x
    columns = [(rates(rest + h) - rates(rest - h)) / 2e-6 for h in 1e-6 * np.eye(5)]
    return np.asarray(np.linalg.eigvals(np.array(columns).T))


@pytest.mark.parametrize(("frequency", "grows"), [(12.0, False), (30.0, True), (50.0, False)])
def test_volts_per_hertz_swings_by_itself_at_light_load(frequency: float, grows: bool) -> None:
    """The poles of the bench, which has no loop, are those of the textbook's equations."""
    weak = {"stator_resistance": "0.4 ohm", "rotor_resistance": "0.2 ohm"}
    document = alone(viscous=1e-3, control={"frequency": f"{frequency} Hz", "rate": "4 kHz"}, **weak)
    description = describe(document)
    bench = HyperMap(description)
    found = closed_poles(bench, held_state(bench, operating_point(bench.bench)))
    slowest = max(textbook_poles(description, frequency), key=lambda pole: pole.real)
    nearest = min(found, key=lambda pole: abs(pole.folded - abs(slowest.imag) / (2.0 * math.pi)))
    # The hub swings against the rotor at 1.1 kHz on the bench and not at all in the textbook.
    assert nearest.folded == pytest.approx(abs(slowest.imag) / (2.0 * math.pi), rel=2e-4)
    assert -nearest.rate == pytest.approx(slowest.real, abs=2e-3 * abs(slowest))
    assert (nearest.rate < 0.0) is grows


def test_margins_of_a_bench_without_a_loop_are_its_poles() -> None:
    weak = {"stator_resistance": "0.4 ohm", "rotor_resistance": "0.2 ohm"}
    scenario = written(alone(viscous=1e-3, control={"frequency": "30 Hz", "rate": "4 kHz"}, **weak))
    answer = find_margins(scenario, MarginsDemand((), None, None))
    (sentence,) = verdict(answer)
    assert (
        sentence.startswith("The bench, which has no loop, is UNSTABLE at this point: ") and "Hz" in sentence
    )
    assert [picture.name for picture in pictures(answer)] == ["poles"]
    assert len(list(details(answer))) == 2 and answer.figures == {}


def written(document: dict[str, Any]) -> Any:
    import tempfile
    from pathlib import Path

    import tomlkit

    from shaftloop.scenario.reading import read_scenario

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rig.toml"
        path.write_text(tomlkit.dumps({"title": "Rig", **document}), encoding="utf-8")
        return read_scenario(path)


def last(run: Simulation, name: str) -> float:
    return float(np.mean(run.traces[name][-200:]))


@pytest.mark.parametrize(("speed", "torque"), [("900 rpm", 30.0), ("900 rpm", -30.0), ("3000 rpm", 12.0)])
def test_field_orientation_makes_the_torque_that_is_asked_for(speed: str, torque: float) -> None:
    """With what it believes true, saturation included, also where the flux is weakened."""
    run = simulate(describe(driven(ORIENTED, *at(speed, f"{torque} N m"), **SATURATES)))
    assert last(run, "load_torque") == pytest.approx(-torque, rel=2e-3)
    assert closes(run)


@pytest.mark.parametrize("error", [0.3, -0.3])
def test_a_wrong_rotor_resistance_costs_torque_as_the_steady_equations_say(error: float) -> None:
    """Flux of the rotor from the angle between current and flux, without saturation."""
    control = ORIENTED | {"rotor_resistance_error": error}
    run = simulate(describe(driven(control, *at("900 rpm", "20 N m", "1.5 s"))))
    gamma = 1.0 + 3.5e-3 / 0.13
    main, leakage = gamma * 0.13, gamma * 3.5e-3 + gamma**2 * 4e-3
    share = main / (main + leakage)
    d, q = 0.9 / main, -20.0 / (3.0 * share * 0.9)
    slip = (1.0 + error) * share * gamma**2 * 0.6 * q / 0.9
    time = main / share / (gamma**2 * 0.6)  # of the rotor
    flux = share * main * complex(d, q) / (1.0 + 1j * slip * time)
    torque = 3.0 * share * (np.conj(flux / share) * complex(d, q)).imag
    assert last(run, "load_torque") == pytest.approx(torque, rel=2e-3)
    assert abs(torque / -20.0 - 1.0) > 0.005


def test_slip_compensation_keeps_the_speed_and_boost_the_flux_at_low_frequency() -> None:
    low = {"frequency": "8 Hz", "ramp": "100 Hz/s"}
    loaded = {"duration": "1.5 s", "drag": {"viscous": "1.1 N m s/rad"}}  # some 27 N m
    speeds = {}
    for name, more in (
        ("plain", {}),
        ("boost", {"boost": "12 V"}),
        ("both", {"boost": "12 V", "slip_compensation": 1.0}),
    ):
        run = simulate(describe(alone(control=low | more, **loaded)))
        speeds[name] = last(run, "load_speed") / (2.0 * math.pi * 4.0)
    assert speeds["plain"] < speeds["boost"] - 0.02 and speeds["boost"] < speeds["both"] - 0.05
    assert speeds["both"] == pytest.approx(1.0, abs=0.04)


def test_the_frequency_follows_its_ramp_and_a_command_adds_the_rated_slip() -> None:
    moves = [{"do": "hold", "time": "0.5 s"}, step("torque", "-40 N m"), {"do": "hold", "time": "0.2 s"}]
    control = SCALAR | {"frequency": "20 Hz", "ramp": "50 Hz/s"}
    document = driven(control, *moves) | {"record": {"rate": "1 kHz"}}
    document["loop"] = document["loop"][1:]
    document["line"][0] |= {"drag": {"viscous": "0.05 N m s/rad"}}
    run = simulate(describe(document))
    frequency = run.traces["load_frequency"]
    assert frequency[200] == pytest.approx(10.0, abs=0.03) and frequency[450] == pytest.approx(20.0)
    assert frequency[-1] == pytest.approx(21.5, rel=1e-9)


def test_at_the_current_limit_the_ramp_waits() -> None:
    heavy = alone(duration="1.2 s", current_limit="25 A", control={"ramp": "100 Hz/s"}, inertia="0.3 kg m^2")
    run = simulate(describe(heavy))
    frequency, speed = run.traces["load_frequency"], run.traces["load_speed"] / math.pi
    assert frequency[6000] < 40.0
    assert np.max(frequency[1000:] - speed[1000:]) < 8.0  # far from pull-out, where it would hang
    ticks = run.watched[next(w.slot for w in run.bench.watches if w.limit == "current")][0]
    assert ticks > 100.0


@pytest.mark.parametrize("control", [SCALAR, ORIENTED], ids=["scalar", "oriented"])
def test_a_trip_takes_the_torque_away(control: dict[str, Any]) -> None:
    control = control | ({"frequency": "29 Hz", "ramp": "200 Hz/s"} if control is SCALAR else {})
    moves = [*at("900 rpm", "20 N m"), {"do": "trip"}, {"do": "hold", "time": "0.3 s"}]
    run = simulate(describe(driven(control, *moves)))
    torque = np.abs(run.traces["load_torque"])
    place = 14_000  # of the trip
    assert torque[place - 1] > 8.0 and np.max(torque[place + 50 :]) < 0.02 * torque[place - 1]
    if control["kind"] == "volts_per_hertz":
        energy = run.traces["load_energy"]
        assert run.bench.machines["load"].current(run.run.state) < 0.1  # some 30 A before
        assert abs(energy[-1] - energy[place + 50]) < 1e-3 * abs(energy[-1])


def test_behind_a_fault_pulses_on_volts_per_hertz_stay_blocked() -> None:
    healthy = describe(alone(control={"ramp": "400 Hz/s"}))
    fault = Fault("off", "load", "torque_off", Fraction(1, 4), until=Fraction(3, 10))
    run = simulate(replace(healthy, fault=(fault,)))
    assert [event.kind for event in run.events] == ["failed", "restored"]
    torque = np.abs(run.traces["load_torque"])
    assert torque[2499] > 5.0 and np.max(torque[3000:]) < 0.1 * torque[2499]


def test_lanes_give_the_bits_of_single_runs() -> None:
    moves = at("1500 rpm", "10 N m", "0.05 s")
    for control, changes in (
        (ORIENTED, ({"rotor_resistance_error": 0.3}, {"flux": 0.7})),
        (SCALAR, ({"slip_compensation": 0.8}, {"boost": 10.0})),
    ):
        first = describe(driven(control, *moves, **SATURATES, iron_resistance="600 ohm"))
        machine: Any = first.line[-1]
        benches = [first]
        for change in (*changes,):
            other = replace(machine, control=replace(machine.control, **change), rotor_resistance=0.5)
            benches.append(replace(first, line=(*first.line[:-1], other)))
        for bench, outcome in zip(benches, simulate_many(benches), strict=True):
            assert outcome.simulation is not None and outcome.in_lanes
            single = simulate(bench)
            for name, trace in outcome.simulation.traces.items():
                assert np.array_equal(trace, single.traces[name]), name


def test_beyond_pull_out_there_is_no_steady_state_and_it_says_so() -> None:
    moves = at("1500 rpm", "80 N m", "0.1 s")
    document = driven(SCALAR | {"rated_voltage": "100 V"}, *moves)
    document["loop"][1] |= {"ki": "20 1/s", "feedforward": 0.0, "kp": 0.01, "anti_windup": "back_calculation"}
    bench = HyperMap(describe(document))
    with pytest.raises(SimulationError, match=r"pull-out torque of load at 50 Hz and 100 V: needs 80 N m"):
        held_state(bench, operating_point(bench.bench))
