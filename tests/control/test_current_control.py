"""One tick of the current control, its voltage limit, and the turn during computation and hold."""

import math

import pytest

from shaftloop.control.current_control import current_tick, turn

MACHINE = {
    "bandwidth": 800.0 * math.pi,
    "resistance": 0.05,
    "ld": 4e-4,
    "lq": 6e-4,
    "psi": 0.12,
    "period": 1.25e-4,
}


def tick(
    targets: tuple[float, float],
    currents: tuple[float, float],
    speed: float = 600.0,
    integrals: tuple[float, float] = (1.0, -2.0),
    limit: float = 350.0,
) -> tuple[float, float, float, float]:
    return current_tick(*targets, *currents, speed, *integrals, *MACHINE.values(), limit)


def test_inside_the_limit() -> None:
    a, r, ld, lq, psi, period = MACHINE.values()
    vd, vq, integral_d, integral_q = tick((-5.0, 40.0), (-4.0, 38.0))
    assert vd == pytest.approx(a * ld * -1.0 + 1.0 - 600.0 * lq * 38.0)
    assert vq == pytest.approx(a * lq * 2.0 - 2.0 + 600.0 * (ld * -4.0 + psi))
    assert integral_d == pytest.approx(1.0 + period * a * r * -1.0)
    assert integral_q == pytest.approx(-2.0 + period * a * r * 2.0)


@pytest.mark.parametrize("limit", [50.0, 350.0])
def test_vector_is_shortened_not_turned(limit: float) -> None:
    a, r, ld, lq, psi, period = MACHINE.values()
    targets, currents = (-300.0, 900.0), (-10.0, 20.0)
    ud = a * ld * -290.0 + 1.0 - 600.0 * lq * 20.0
    uq = a * lq * 880.0 - 2.0 + 600.0 * (ld * -10.0 + psi)
    vd, vq, integral_d, integral_q = tick(targets, currents, limit=limit)
    assert math.hypot(vd, vq) == pytest.approx(limit)
    assert vd / vq == pytest.approx(ud / uq)
    assert integral_d == pytest.approx(1.0 + period * (a * r * -290.0 + r / ld * (vd - ud)))
    assert integral_q == pytest.approx(-2.0 + period * (a * r * 880.0 + r / lq * (vq - uq)))


def test_steady_state_needs_no_error() -> None:
    """The integrals carry the resistive drop, the decoupling the rest."""
    vd, vq, integral_d, integral_q = tick((-5.0, 40.0), (-5.0, 40.0), integrals=(-0.25, 2.0))
    assert (integral_d, integral_q) == (-0.25, 2.0)
    assert vd == pytest.approx(0.05 * -5.0 - 600.0 * 6e-4 * 40.0)
    assert vq == pytest.approx(0.05 * 40.0 + 600.0 * (4e-4 * -5.0 + 0.12))


def test_turn_is_the_rotation_of_a_held_vector_seen_from_the_rotor() -> None:
    d, q = turn(3.0, 4.0, 0.7)
    held = complex(3.0, 4.0) * complex(math.cos(0.7), -math.sin(0.7))
    assert (d, q) == (pytest.approx(held.real), pytest.approx(held.imag))
    assert turn(3.0, 4.0, 0.0) == (3.0, 4.0)
