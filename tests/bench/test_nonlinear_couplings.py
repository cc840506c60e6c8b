"""Progressive couplings, torque limiters: closed forms, another solver, energy, lanes, tangents, refusals."""

import math
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad, solve_ivp
from scipy.interpolate import PchipInterpolator

from rigs import Table, coupling, describe, disc, hold, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.simulation import simulate
from shaftloop.analysis.tangent import line_at
from shaftloop.answers.show import find_bench
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description, Fault
from shaftloop.scenario.reading import read_scenario
from shaftloop_models.line import Spring
from shaftloop_models.progressive import CurvePoint, Progressive, progressive

STIFFNESS, CUBIC, LEFT, RIGHT = 2e3, 4e5, 0.05, 0.1
END = 1e-4
"""Of the body behind the sensor."""
REDUCED = LEFT * (RIGHT + END) / (LEFT + RIGHT + END)
POINTS = [(0.02, 45.0), (0.04, 100.0), (0.06, 180.0), (0.08, 290.0)]
TABLE = {
    "characteristic": [{"twist": f"{twist} rad", "torque": f"{torque} N m"} for twist, torque in POINTS],
    "rated": "150 N m",
}
LIMITER = {"slip_torque": "50 N m", "damping": "1 N m s/rad"}
CUBE = {"cubic_stiffness": f"{CUBIC} N m/rad^3", "rated": "100 N m"}


def pushed(torques: list[tuple[float, float]], lag: str = "1 us", **keys: Any) -> Description:
    """Return two bodies joined by a coupling; the left one gets torques [N m] for times [s]."""
    sequence = [
        move for torque, time in torques for move in (step("torque", f"{torque} N m"), hold(f"{time} s"))
    ]
    line = [
        servo("drive", LEFT, time_constant=lag),
        coupling("c", STIFFNESS, **keys),
        disc("load", RIGHT),
        sensor("ts", 1e5, damping="0.2 N m s/rad"),
    ]
    line += [disc("end", END)]
    record = {"rate": "20 kHz", "channels": ["c.twist"]}
    loop = torque_loop("drive", "ts")
    return describe({"line": line, "loop": [loop], "sequence": sequence, "record": record})


def turned(torque: str, **keys: Any) -> Description:
    """Return a bench at 900 rpm under the torque of its load machine."""
    line = [servo("drive", LEFT), coupling("c", STIFFNESS, inertia_right="0.002 kg m^2", **keys)]
    line += [sensor("ts", 2e5, damping="2 N m s/rad"), servo("load", RIGHT)]
    loops = [speed_loop("drive", 2.0, 40.0), torque_loop("load", "ts", kp=0.0)]
    move = {"do": "ramp", "loop": "speed", "to": "900 rpm", "over": "0.2 s"}
    return describe({"line": line, "loop": loops, "sequence": [move, step("torque", torque), hold("0.3 s")]})


def potential(twist: float) -> float:
    return 0.5 * STIFFNESS * twist**2 + 0.25 * CUBIC * twist**4


def test_a_step_swings_a_cubic_spring_as_far_and_as_long_as_its_energy_says() -> None:
    """Duffing: m·x'' + k·x + c·x³ = P from rest reaches U(x) = P·x; its period is a quadrature."""
    push = 60.0 * REDUCED / LEFT
    roots = np.roots([0.25 * CUBIC, 0.0, 0.5 * STIFFNESS, -push])
    most = float(max(root.real for root in roots if abs(root.imag) < 1e-9))

    def slowness(u: float) -> float:
        x = most * math.sin(u) ** 2
        return 2.0 * most * math.sin(u) * math.cos(u) / math.sqrt(2.0 / REDUCED * (push * x - potential(x)))

    period = 2.0 * quad(slowness, 1e-7, 0.5 * math.pi - 1e-7)[0]
    run = simulate(pushed([(60.0, 0.4)], **CUBE))
    twist = run.traces["c.twist"]
    assert twist.max() == pytest.approx(most, rel=2e-4)
    low = np.flatnonzero((twist[1:-1] <= twist[:-2]) & (twist[1:-1] < twist[2:])) + 1
    assert len(low) >= 3
    assert np.mean(np.diff(run.time[low])) == pytest.approx(period, rel=1e-3)
    assert period < 0.95 * 2.0 * math.pi * math.sqrt(REDUCED / STIFFNESS)
    assert run.traces["c_torque"].max() == pytest.approx(STIFFNESS * most + CUBIC * most**3, rel=1e-3)
    assert metrics(run)["twist.c"].value == pytest.approx(most, rel=1e-3)


def curve(points: list[tuple[float, float]]) -> Progressive:
    law = progressive(Spring(STIFFNESS), 0.0, [CurvePoint(*point) for point in points], 300.0).law
    assert isinstance(law, Progressive)
    return law


def test_a_characteristic_is_the_interpolant_of_a_general_library() -> None:
    """Fritsch and Butland's slopes inside, as scipy has them; the energy is the integral of the torque."""
    law, inside = curve(POINTS), PchipInterpolator(*zip((0.0, 0.0), *POINTS, strict=True))
    for twist in np.linspace(0.0201, 0.0599, 40):
        torque, slope = law.curve(STIFFNESS, twist)
        assert torque == pytest.approx(float(inside(twist)), rel=1e-12)
        assert slope == pytest.approx(float(inside.derivative()(twist)), rel=1e-9)
        assert law.strain(STIFFNESS, -torque) == pytest.approx(-twist, rel=1e-12)
    assert law.curve(STIFFNESS, 0.0) == (0.0, STIFFNESS)
    torque, slope = law.curve(STIFFNESS, 0.05)
    assert law.curve(STIFFNESS, -0.05) == (-torque, slope)
    for twist in (0.01, 0.05, 0.1):
        whole = quad(lambda x: law.curve(STIFFNESS, x)[0], 0.0, twist, points=[p[0] for p in POINTS])[0]
        assert law._energy(STIFFNESS, [-twist]) == pytest.approx(whole, rel=1e-9)


@pytest.mark.parametrize("keys", [CUBE, TABLE])
def test_modes_are_those_of_the_tangent_with_the_same_relative_damping(keys: Table) -> None:
    """E13.1: the loss angle of the tangent is psi/2pi whatever the mean torque, and the magnifier 2pi/psi."""
    psi = 0.6
    band = ["2 Hz", "500 Hz"]
    description = pushed([(0.0, 0.1)], loss_factor_psi=psi, loss_band=band, **keys)
    (part,) = (part for part in description.line if part.name == "c")
    (spring,) = (element for element in part.elements() if isinstance(element, Spring))
    bench = turned("10 N m", loss_factor_psi=psi, loss_band=band, **keys)
    found = []
    for torque in (0.0, 40.0, 90.0):
        mode = find_modes(line_at(bench, torque=torque)[0])[0]
        assert isinstance(spring.law, Progressive)
        _, slope = spring.law.curve(spring.stiffness, spring.law.strain(spring.stiffness, torque))
        found.append((mode.frequency, slope, mode.damping_ratio))
    (first, soft, _), *others = found
    for frequency, slope, _ in others:
        assert slope > 1.1 * soft
        # The dynamic stiffness grows by 0.06 per factor 2 in frequency.
        assert frequency / first == pytest.approx(math.sqrt(slope / soft), rel=0.03)
    assert [entry[2] for entry in found] == pytest.approx([psi / (4.0 * math.pi)] * 3, rel=0.06)


def carried(torque: float, limit: float, damping: float, until: float) -> NDArray[np.float64]:
    """Return (speeds of both bodies, strain, heat) at the end by another solver."""

    def slopes(_: float, x: NDArray[np.float64]) -> list[float]:
        left, right, strain, _ = x
        tried = STIFFNESS * strain + damping * (left - right)
        held = min(max(tried, -limit), limit)
        slip = (tried - held) / damping
        return [(torque - held) / LEFT, held / (RIGHT + END), left - right - slip, held * slip]

    options = {"rtol": 1e-10, "atol": 1e-13, "max_step": 2e-5}
    return np.asarray(solve_ivp(slopes, (0.0, until), np.zeros(4), "DOP853", **options).y[:, -1])


def test_a_limiter_slips_as_another_solver_says() -> None:
    run = simulate(pushed([(120.0, 0.2)], **LIMITER))
    left, right, strain, _ = carried(120.0, 50.0, 1.0, run.time[-1])
    assert run.traces["drive_speed"][-1] == pytest.approx(left, rel=1e-4)
    assert run.energies.losses["c.slip"] == pytest.approx(carried(120.0, 50.0, 1.0, 0.2)[3], rel=1e-4)
    assert run.traces["c_torque"][-1] == pytest.approx(STIFFNESS * strain, rel=1e-4)
    assert max(map(abs, run.peaks["c"])) <= 50.0 * (1.0 + 1e-6)
    # Two bodies that drift apart under what the friction holds.
    apart = 0.5 * ((120.0 - 50.0) / LEFT - 50.0 / RIGHT) * 0.2**2
    assert run.energies.losses["c.slip"] == pytest.approx(50.0 * apart, rel=0.06)
    assert right < left


LAWS = [CUBE | {"damping": "0.3 N m s/rad"}, TABLE | {"loss_factor_psi": 0.5}, LIMITER]


@pytest.mark.parametrize("keys", LAWS)
def test_energy_closes_and_would_not_without_its_heat(keys: Table) -> None:
    run = simulate(pushed([(90.0, 0.1), (-90.0, 0.1), (0.0, 0.1)], "1 ms", **keys))
    assert metrics(run)["energy_residual"].value < 1e-5
    assert next(balance.residual for balance in run.energies.balances if balance.element == "c") < 1e-5
    lost = sum(loss for name, loss in run.energies.losses.items() if name.startswith("c."))
    assert lost > 1e-3 * run.energies.circulated
    if keys is LIMITER:
        assert run.peaks["c"] == pytest.approx((-50.0, 50.0), rel=1e-5)


@pytest.mark.parametrize("keys", LAWS)
def test_energy_closes_where_it_breaks(keys: Table) -> None:
    bench = pushed([(70.0, 0.05), (30.0, 0.1)], "1 ms", **keys)
    fault = Fault("snap", "c", "broken", at=Fraction(6, 100))
    run = simulate(replace(bench, fault=(fault,)))
    assert metrics(run)["energy_residual"].value < 1e-5
    assert run.traces["c_torque"][-1] == 0.0


@pytest.mark.parametrize(
    "keys", [TABLE | {"loss_factor_psi": 0.5}, {"slip_torque": "50 N m", "damping": "1 N m s/rad"}]
)
def test_lanes_and_single_runs_are_equal(keys: Table) -> None:
    benches = [turned(torque, **keys) for torque in ("20 N m", "40 N m", "90 N m")]
    for bench, outcome in zip(benches, simulate_many(benches), strict=True):
        alone = simulate(bench)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in alone.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"slip_torque": "50 N m"}, "needs a viscous damping"),
        ({"slip_torque": "50 N m", "damping": "1 N m s/rad", "loss_factor_psi": 0.4}, "no loss_factor_psi"),
        ({"slip_torque": "-50 N m", "damping": "1 N m s/rad"}, "slip_torque"),
        ({"slip_torque": "50 N m", "damping": "1 N m s/rad", "backlash": "1 deg"}, "not modelled"),
        (CUBE | {"angular_offset": "1 deg"}, "an offset"),
        (CUBE | TABLE, "not modelled"),
        ({"cubic_stiffness": "1e5 N m/rad^3"}, "judged by it"),
        (TABLE | {"characteristic": TABLE["characteristic"][::-1]}, "must both rise"),
        (
            TABLE | {"characteristic": [{"twist": "0.02 rad", "torque": "400 N m"}]},
            "contradicts the first point",
        ),
        (
            TABLE
            | {
                "characteristic": [
                    {"twist": f"{0.01 * i} rad", "torque": f"{20 * i} N m"} for i in range(1, 8)
                ]
            },
            "up to 5",
        ),
    ],
)
def test_refusals(keys: Table, words: str) -> None:
    with pytest.raises(ScenarioError, match=words):
        pushed([(10.0, 0.1)], **keys)


def test_show_and_modes_tell_the_same_frequencies_at_the_operating_point() -> None:
    """Both say at which torque; at none the first mode is lower."""
    scenario = read_scenario("torque-limiter")
    shown = find_bench(scenario)
    assert shown.notes == ("c1 and c2 as stiff as at 800 rpm and 90 N m",)
    line, _, note = line_at(scenario.description)
    assert [mode.frequency for mode in shown.modes] == [mode.frequency for mode in find_modes(line)]
    assert note == shown.tangent
    slack = find_modes(mechanics(build_bench(scenario.description, smooth=True)))
    assert shown.modes[0].frequency > 1.15 * slack[0].frequency
