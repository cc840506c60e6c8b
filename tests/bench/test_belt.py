"""A belt on a bench: closed forms of creep, losses and frequency, another solver, energy, refusals."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from rigs import Table, describe, hold, ramp, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.scenario.description import Description

RATIO, BELT, CREEP, RATED = 0.4, 6e3, 0.02, 40.0
DRIVE, LOAD, STIFF = 0.05, 0.01, 4e4
LAG = {"time_constant": "1 ms"}


def belt(**keys: Any) -> Table:
    plain = {"part": "belt", "name": "belt", "ratio": RATIO, "stiffness": f"{BELT} N m/rad", "creep": CREEP}
    whole = {
        **plain,
        "rated": f"{RATED} N m",
        "loss_factor_psi": 0.3,
        "inertia_right": "0.002 kg m^2",
        **keys,
    }
    return {key: value for key, value in whole.items() if value is not None}


def turned(torque: str, belt: Table, speed: str = "900 rpm", **keys: Any) -> Description:
    """Return a bench that turns at a speed of the drive and loads the fast shaft behind a belt."""
    line = [servo("drive", DRIVE, **LAG), belt, sensor("ts", STIFF, damping="5 N m s/rad")]
    line.append(servo("load", LOAD, **LAG))
    loops = [speed_loop("drive", 4.0, 100.0), torque_loop("load", "ts", **keys)]
    moves = [ramp(speed, "0.2 s"), step("torque", torque), hold("1 s")]
    return describe({"line": line, "loop": loops, "sequence": moves})


def behind(run: Simulation, name: str) -> float:
    return float(run.traces[name][-1])


@pytest.mark.parametrize(("torque", "sign"), [("12 N m", 1.0), ("-12 N m", -1.0)])
@pytest.mark.parametrize("efficiency", [1.0, 0.97])
def test_the_driven_pulley_lags_and_the_power_falls_by_creep_and_bending(
    torque: str, sign: float, efficiency: float
) -> None:
    """Closed form: ``i·ωr = ωl·(1 - s)`` with s the creep at this torque, and (1 - s)·η of the power."""
    run = simulate(turned(torque, belt(efficiency=efficiency)))
    carried = sign * 12.0 / RATIO
    slip = CREEP * carried / RATED
    left, right = behind(run, "drive_speed"), behind(run, "load_speed")
    assert RATIO * right / left == pytest.approx(1.0 - slip, rel=1e-7)
    friction = (1.0 / efficiency - 1.0) * abs(carried)
    assert behind(run, "drive_torque") == pytest.approx(carried + friction, rel=1e-5)
    made, passed = behind(run, "drive_torque") * left, sign * 12.0 * right
    share = passed / made if sign > 0.0 else made / passed
    kept = (1.0 - slip) * efficiency if sign > 0.0 else (2.0 - 1.0 / efficiency) / (1.0 - slip)
    assert share == pytest.approx(kept, rel=1e-5)


def test_energy_closes_and_creep_is_metered() -> None:
    run = simulate(turned("12 N m", belt(efficiency=0.97)))
    assert run.energies.residual < 1e-5 and run.energies.worst.residual < 1e-5
    torque, speed = run.traces["belt_torque"], run.traces["drive_speed"]
    crept = np.trapezoid(CREEP / RATED * torque**2 * speed, run.time)
    assert run.energies.losses["belt.creep"] == pytest.approx(crept, rel=1e-3)
    bent = np.trapezoid((1.0 / 0.97 - 1.0) * np.abs(torque) * speed, run.time)
    assert run.energies.losses["belt.bending"] == pytest.approx(bent, rel=1e-3)
    assert crept > 10.0 and bent > 30.0


def test_a_run_is_that_of_another_solver() -> None:
    line = [servo("drive", DRIVE, **LAG), belt(loss_factor_psi=None), sensor("ts", STIFF)]
    line.append(servo("load", LOAD, **LAG))
    loops = [torque_loop("drive", "ts", name="push"), torque_loop("load", "ts", name="pull")]
    moves = [step("push", "100 N m"), step("pull", "20 N m"), hold("60 ms")]
    document = {"line": line, "loop": loops, "sequence": moves, "record": {"rate": "20 kHz"}}
    run = simulate(describe(document))

    def slopes(time: float, x: NDArray[np.float64]) -> list[float]:
        left, pulley, right, twist, shaft = x
        risen, rate = 1.0 - np.exp(-time / 1e-3), left - RATIO * pulley
        torque, carried = BELT * twist, STIFF * shaft
        creep = CREEP / RATED * BELT * twist * left * np.tanh(left / 0.5)
        pushed = [100 * risen - torque, RATIO * torque - carried, carried - 20 * risen]
        bodies = (DRIVE, 0.002, LOAD)
        return [*(p / j for p, j in zip(pushed, bodies, strict=True)), rate - creep, pulley - right]

    time, options = run.time, {"rtol": 1e-11, "atol": 1e-13, "max_step": 5e-5}
    exact = solve_ivp(slopes, (0.0, time[-1]), np.zeros(5), "DOP853", time, **options).y
    for name, row, k in (("true_torque", 4, STIFF), ("drive_speed", 0, 1.0), ("load_speed", 2, 1.0)):
        expected = k * exact[row]
        assert np.abs(run.traces[name] - expected).max() < 1e-5 * np.abs(expected).max(), name


def test_two_pulleys_swing_at_the_frequency_of_the_handbook() -> None:
    """ω² = 2·E·A/L·(r1²/J1 + r2²/J2): J. P. Den Hartog, Mechanical Vibrations, chapter 2. From memory."""
    strand, left, right = 1.5e5, 0.05, 0.08
    pulleys = belt(
        ratio=right / left, stiffness=f"{2 * strand * left**2} N m/rad", loss_factor_psi=None, creep=0
    )
    line = [servo("drive", DRIVE), {**pulleys, "inertia_right": "0 kg m^2"}, servo("load", LOAD)]
    (mode,) = find_modes(mechanics(build_bench(describe({"line": line, "duration": "1 ms"}))))
    expected = np.sqrt(2.0 * strand * (left**2 / DRIVE + right**2 / LOAD)) / (2.0 * np.pi)
    assert mode.frequency == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("speed", "sign"), [("900 rpm", 1.0), ("-900 rpm", -1.0)])
def test_the_steady_state_of_the_analyses_creeps_too(speed: str, sign: float) -> None:
    """The pulley that is driven lags behind, which at a negative speed is the left one."""
    smooth = HyperMap(turned("12 N m", belt(), speed, ki="10 1/s"))
    state = held_state(smooth, operating_point(smooth.bench))
    drive, load = (state[machine.node.speed.index] for machine in smooth.bench.machines.values())
    assert sign * drive > 0.0
    assert RATIO * load / drive == pytest.approx(1.0 - sign * CREEP * 12.0 / RATIO / RATED, rel=1e-6)


def test_lanes_and_single_runs_are_equal() -> None:
    benches = [turned(f"{torque} N m", belt(efficiency=0.98)) for torque in (4, 8, 12)]
    for bench, outcome in zip(benches, simulate_many(benches), strict=True):
        alone = simulate(bench)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in alone.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name


def test_a_broken_belt_carries_and_heats_nothing() -> None:
    fault = {"name": "snap", "on": "belt", "kind": "broken", "at": "0.3 s"}
    line = [servo("drive", DRIVE, **LAG), belt(), sensor("ts", STIFF), servo("load", LOAD, **LAG)]
    loops = [speed_loop("drive", 4.0, 100.0), torque_loop("load", "ts")]
    moves = [ramp("900 rpm", "0.1 s"), step("torque", "5 N m"), hold("0.3 s")]
    run = simulate(describe({"line": line, "loop": loops, "sequence": moves, "fault": [fault]}))
    assert run.energies.residual < 1e-5 and run.energies.worst.residual < 1e-5
    assert np.all(run.traces["belt_torque"][run.time > 0.3001] == 0.0)


SLIPPING = {"slip_torque": "25 N m", "damping": "2 N m s/rad", "creep": None, "loss_factor_psi": None}
SLIPPING["rated"] = "20 N m"


def test_a_belt_slips_through_at_its_slip_torque_and_heats() -> None:
    """Closed forms: the fast shaft falls as what is missing slows it; heat = slip torque times slip speed."""
    line = [servo("drive", DRIVE, **LAG), belt(**SLIPPING), sensor("ts", STIFF, damping="5 N m s/rad")]
    line.append(servo("load", LOAD, **LAG))
    loops = [speed_loop("drive", 4.0, 100.0), torque_loop("load", "ts")]
    moves = [ramp("900 rpm", "0.5 s"), step("torque", "8 N m"), hold("0.3 s"), step("torque", "14 N m")]
    document = {"line": line, "loop": loops, "sequence": [*moves, hold("60 ms")]}
    run = simulate(describe(document))
    assert run.energies.residual < 1e-5 and run.energies.worst.residual < 1e-5
    late = run.time > 0.83
    assert run.traces["belt_torque"][late] == pytest.approx(25.0, rel=1e-4)
    speed, time = run.traces["load_speed"][late], run.time[late]
    fall = np.polyfit(time, speed, 1)[0]
    assert fall == pytest.approx((RATIO * 25.0 - 14.0) / (LOAD + 0.002), rel=1e-3)
    slipped = run.traces["drive_speed"] - RATIO * run.traces["load_speed"]
    heat = np.trapezoid(np.where(run.time > 0.8, 25.0 * slipped, 0.0), run.time)
    assert run.energies.losses["belt.slip"] == pytest.approx(heat, rel=0.02) and heat > 4.0
    # At 8 N m, which asks 20 N m of it, it holds as a spring does; the speed is still settling.
    before = (run.time > 0.7) & (run.time < 0.8)
    assert run.traces["belt_torque"][before] == pytest.approx(20.0, rel=1e-2)
    assert np.abs(slipped[before]).max() < 1e-2


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        (
            {"damping": "1 N m s/rad"},
            "line.belt.damping: would carry torque while it creeps; write",
        ),
        (SLIPPING | {"creep": 0.02}, "line.belt.slip_torque: together with creep is not modelled"),
        (SLIPPING | {"damping": None}, "line.belt.damping: what slips needs a viscous damping"),
        ({"rated": None}, "line.belt.rated: missing: creep and efficiency are judged by the rated torque"),
        ({"ratio": -2}, "line.belt.ratio"),
        ({"creep": 0.5}, "line.belt.creep"),
    ],
)
def test_what_no_belt_is_is_refused(keys: Table, says: str) -> None:
    with pytest.raises(Exception, match=r"rig\.toml:\d+") as refused:
        turned("1 N m", belt(**keys))
    assert says in str(refused.value)
