"""What turns with the shaft, ripple and misalignment: predicted lines against those of time simulation."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from rigs import Table, coupling, describe, sensor, servo, speed_loop, torque_loop
from shaftloop.analysis.fidelity.aliasing import aliasing, ripples
from shaftloop.analysis.fidelity.misalignment import misalignment
from shaftloop.analysis.fidelity.transfer import Fidelity, fidelity
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description

SPEED = 60.0


def bench(
    speed: float,
    sensing: Table,
    kp: float = 0.1,
    machine: Table | None = None,
    crooked: Table | None = None,
    carried: tuple[float, float] = (10.0, 2e4),
    **rest: Any,
) -> Description:
    """Return a bench with both loops closed at a speed; carried: torque and stiffness of its coupling."""
    torque, stiffness = carried
    drag = {"viscous": "0.01 N m s/rad"}
    common = {"max_speed": "3000 rpm", "max_torque": "400 N m"}
    line = [
        servo("drive", 0.04, drag=drag, rate="8 kHz", **common, **(machine or {})),
        coupling("c", stiffness, loss_factor_psi=0.4, **(crooked or {})),
        sensor("ts", 3e4, damping="3 N m s/rad", inertia_left="0.002 kg m^2", **sensing),
        servo("load", 0.08, drag=drag, rate="8 kHz", time_constant="0.3 ms", **common),
    ]
    loops = [
        speed_loop("drive", 4.0, 20.0, rate="2 kHz"),
        torque_loop("load", "ts", rate="2 kHz", kp=kp, ki="40 1/s", feedforward=0.0),
    ]
    moves = [
        {"do": "ramp", "loop": "speed", "to": f"{speed} rad/s", "over": "0.2 s"},
        {"do": "step", "loop": "torque", "to": f"{torque} N m"},
        {"do": "hold", "time": "2.3 s"},
    ]
    document = {"unit": "drive", "line": line, "loop": loops, "sequence": moves, **rest}
    return describe(document)


def line_at(run: Simulation, channel: str, frequency: float, *others: float) -> float:
    """Return the amplitude of a line at the end of a channel, by least squares with others and the mean."""
    late = run.time >= run.time[-1] - 1.2
    time, values = run.time[late], run.traces[channel][late]
    columns = [np.ones_like(time)]
    for line in (frequency, *others):
        columns += [np.cos(2.0 * np.pi * line * time), np.sin(2.0 * np.pi * line * time)]
    found = np.linalg.lstsq(np.column_stack(columns), values, rcond=None)[0]
    return float(math.hypot(found[1], found[2]))


@pytest.mark.compiled
@settings(max_examples=8, deadline=None, derandomize=True)
@given(
    st.sampled_from([12, 30, 54]),
    st.floats(50.0, 110.0),
    st.sampled_from([500, 800, 1000]),
    st.sampled_from([None, {"kind": "first_order", "cutoff": "300 Hz"}]),
    st.floats(0.02, 0.2),
)
def test_folded_ripple_is_where_and_as_large_as_predicted(
    order: int, speed: float, sampling: int, low_pass: Table | None, kp: float
) -> None:
    sensing: Table = {"sampling": f"{sampling} Hz", "range": "200 N m", "bits": 16, "rated": "100 N m"}
    if low_pass:
        sensing["filter"] = low_pass
    machine = {"ripple": [{"order": order, "amplitude": "8 N m"}]}
    description = bench(speed, sensing, kp, machine, record={"rate": f"{sampling} Hz"})
    found = fidelity(description)
    assert found.closed is not None
    (entry,) = [fold for fold in aliasing(found).orders if fold.ripple.order == order]
    assert entry.ripple.amplitude == pytest.approx(8.0)
    direct = entry.lines[0]
    step = found.noise.quantiser_step
    size = direct.size * 8.0
    assume(size > 3.0 * step and 5.0 < direct.frequency < 0.5 * sampling - 5.0)
    run = simulate(description)
    assert line_at(run, "reading", direct.frequency) == pytest.approx(size, rel=0.02)


@pytest.mark.compiled
def test_a_line_folded_into_the_band_is_acted_on() -> None:
    """Near the rate of the sensor ripple appears slow, and the closed loop makes true torque of it."""
    sensing = {"sampling": "1 kHz", "rated": "100 N m"}
    order, place = 60, 5.0
    speed = 2.0 * math.pi * (1000.0 + place) / order
    machine = {"ripple": [{"order": order, "amplitude": "30 N m"}]}
    description = bench(speed, sensing, 0.3, machine, record={"rate": "1 kHz"})
    found = fidelity(description)
    folds = aliasing(found, level=0.02)
    (entry,) = [fold for fold in folds.orders if fold.ripple.order == order]
    assert entry.lines[0].frequency == pytest.approx(place, rel=1e-6)
    assert folds.band is not None and folds.band > place
    assert any(f"order {order}" in text and "inside the band" in text for text in folds.warnings)
    run = simulate(description)
    assert line_at(run, "reading", place) == pytest.approx(30.0 * entry.lines[0].size, rel=0.02)
    held = found.held.lines(entry.frequency)[0]
    assert abs(held.size / entry.lines[0].size - 1.0) > 0.1  # the loop has changed what the reading shows


@pytest.mark.compiled
@pytest.mark.parametrize(
    "crooked",
    [
        {"angular_offset": "6 deg"},
        {"parallel_offset": "0.3 mm", "pitch_diameter": "80 mm", "uneven_share": 1.0},
        {
            "angular_offset": "5 deg",
            "parallel_offset": "0.2 mm",
            "pitch_diameter": "90 mm",
            "uneven_share": 0.5,
        },
    ],
)
def test_misalignment_makes_the_predicted_torque(crooked: Table) -> None:
    description = bench(SPEED, {"sampling": "2 kHz", "rated": "100 N m"}, crooked=crooked)
    found = fidelity(description)
    (entry,) = misalignment(found)
    assert entry.coupling == "c" and entry.beside
    run = simulate(description)
    turn = SPEED / (2.0 * math.pi)
    for order in entry.orders:
        assert order.frequency == pytest.approx(order.order * turn)
        others = [n * turn for n in (1, 2, 3, 4) if n != order.order]
        true, reading = (line_at(run, name, order.frequency, *others) for name in ("true_torque", "reading"))
        assert (true, reading) == (
            pytest.approx(order.true, rel=0.02),
            pytest.approx(order.reading, rel=0.02),
        )


@pytest.mark.compiled
def test_an_angular_offset_under_high_torque_on_a_soft_coupling() -> None:
    """The left hub takes T·dε/dθ besides the spring: 2·T/k is 0.3 here, next to nothing on a stiff one."""
    crooked = {"angular_offset": "3 deg"}
    sensing = {"sampling": "2 kHz", "rated": "500 N m"}
    description = bench(SPEED, sensing, 0.02, crooked=crooked, carried=(300.0, 2e3))
    ((entry,),) = (coupling.orders for coupling in misalignment(fidelity(description)))
    run = simulate(description)
    others = [n * entry.frequency for n in (0.5, 2.0)]
    for name, expected in (("true_torque", entry.true), ("reading", entry.reading)):
        assert line_at(run, name, entry.frequency, *others) == pytest.approx(expected, rel=0.01)


def prepared(crooked: Table | None = None, machine: Table | None = None, **keys: Any) -> Fidelity:
    return fidelity(bench(SPEED, {"sampling": "2 kHz", "rated": "100 N m"}, 0.1, machine, crooked), **keys)


def test_bending_load_reads_as_torque_by_crosstalk() -> None:
    crooked = {
        "angular_offset": "1 deg",
        "parallel_offset": "0.2 mm",
        "uneven_share": 0,
        "bending_stiffness": "2 kN m/rad",
        "radial_stiffness": "1 MN/m",
    }
    found = prepared(crooked)
    (entry,) = misalignment(found, crosstalk=0.005, lever=0.05)
    tilt = math.radians(1.0)
    carried = 10.0  # the torque loop's set-point; the reading is the true torque here
    assert entry.bending_moment == pytest.approx(2e3 * tilt + carried * math.sin(tilt), rel=5e-3)
    assert entry.radial_force == pytest.approx(200.0)
    assert entry.bending_error == pytest.approx(0.005 * ((entry.bending_moment or 0.0) + 200.0 * 0.05))
    assert [order.order for order in entry.orders] == [2]
    assert misalignment(found)[0].bending_error is None


def test_straight_couplings_do_nothing() -> None:
    assert misalignment(prepared()) == ()


def test_ripple_and_cogging_of_an_order_add_as_phasors() -> None:
    machine = {
        "ripple": [
            {"order": 12, "amplitude": "3 N m"},
            {"order": 6, "amplitude": "2 N m", "scales": "torque"},
        ],
        "cogging": [{"order": 12, "amplitude": "4 N m", "phase": "90 deg"}],
        "rated_torque": "100 N m",
    }
    found = prepared(machine=machine)
    known = {ripple.order: ripple.amplitude for ripple in ripples(found, orders=(6.0, 7.0), amplitude=0.5)}
    made = 10.0 + 0.01 * SPEED  # with the drag of the drive
    assert known[12.0] == pytest.approx(5.0)
    assert known[6.0] == pytest.approx(2.0 * made / 100.0, rel=1e-3)
    assert known[7.0] == 0.5 and set(known) == {6.0, 7.0, 12.0}


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"crosstalk": 2.0}, "`crosstalk`: 2 is outside 0 to 1"),
        ({"lever": -1.0}, "`lever`: -1 m is outside 0 to 10 m"),
    ],
)
def test_impossible_sensors_are_refused(keys: dict[str, float], message: str) -> None:
    with pytest.raises(ScenarioError, match=message):
        misalignment(prepared(), **keys)


def test_at_rest_nothing_turns() -> None:
    found = prepared({"angular_offset": "1 deg"}, speed=0.0)
    with pytest.raises(
        ScenarioError, match="the error of c turns with the shaft: it has no frequency at rest"
    ):
        misalignment(found, crosstalk=0.01)
    assert misalignment(found) == ()
    found = prepared(machine={"ripple": [{"order": 6, "amplitude": "1 N m"}]}, speed=0.0)
    with pytest.raises(ScenarioError, match="a ripple by order has no frequency at rest"):
        aliasing(found, orders=(3.0,))
    (order,) = aliasing(found).orders
    assert (order.ripple.order, order.frequency, order.lines) == (6.0, 0.0, ())
