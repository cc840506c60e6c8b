"""The PI controller with both anti-windups, and the limiter, against plain Python and closed forms."""

import random

import pytest

from shaftloop.control.pi import BACK_CALCULATION, CONDITIONAL, pi_update, upper_limit

KP, KI, PERIOD, CLAMP = 0.4, 340.0, 2.5e-4, 200.0


def plain(error: float, integral: float, direct: float, method: int) -> tuple[float, float]:
    """The written rule, once more."""
    wanted = KP * error + integral + direct
    given = CLAMP if wanted > CLAMP else -CLAMP if wanted < -CLAMP else wanted
    change = KI * error
    if method == BACK_CALCULATION:
        change += KI / KP * (given - wanted)
    elif (wanted > CLAMP and error > 0) or (wanted < -CLAMP and error < 0):
        change = 0.0
    return given, integral + PERIOD * change


@pytest.mark.parametrize("method", [BACK_CALCULATION, CONDITIONAL])
def test_equals_the_written_rule(method: int) -> None:
    rng = random.Random(3)
    integral = known = 0.0
    clamped = 0
    for _ in range(2000):
        error, direct = rng.gauss(0.0, 300.0), rng.gauss(0.0, 50.0)
        output, integral = pi_update(error, integral, KP, KI, PERIOD, direct, CLAMP, method)
        expected, known = plain(error, known, direct, method)
        assert output == pytest.approx(expected, rel=1e-14, abs=1e-12)
        assert integral == pytest.approx(known, rel=1e-12, abs=1e-9)
        clamped += abs(output) == CLAMP
    assert 200 < clamped < 1800


@pytest.mark.parametrize("method", [BACK_CALCULATION, CONDITIONAL])
def test_constant_error_inside_the_clamp_integrates_in_a_line(method: int) -> None:
    integral = 0.0
    for tick in range(100):
        output, integral = pi_update(2.0, integral, KP, KI, PERIOD, 1.5, CLAMP, method)
        assert output == pytest.approx(1.5 + KP * 2.0 + KI * PERIOD * 2.0 * tick, rel=1e-12)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_back_calculation_settles_where_the_error_no_longer_winds(sign: float) -> None:
    """ki·e = (ki/kp)·(u − us): u = us + kp·e, so the integral rests at the clamp."""
    integral = 0.0
    for _ in range(2000):
        output, integral = pi_update(sign * 1000.0, integral, KP, KI, PERIOD, 0.0, CLAMP, BACK_CALCULATION)
    assert output == sign * CLAMP
    assert integral == pytest.approx(sign * CLAMP, rel=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_conditional_integration_stops_at_the_clamp_and_leaves_at_once(sign: float) -> None:
    integral = 0.0
    for _ in range(2000):
        output, integral = pi_update(sign * 100.0, integral, KP, KI, PERIOD, 0.0, CLAMP, CONDITIONAL)
    assert output == sign * CLAMP
    assert CLAMP - KP * 100.0 <= sign * integral <= CLAMP - KP * 100.0 + KI * PERIOD * 100.0
    output, after = pi_update(-sign * 100.0, integral, KP, KI, PERIOD, 0.0, CLAMP, CONDITIONAL)
    assert sign * output < CLAMP and sign * after < sign * integral


def test_limiter_stays_aside_below_its_limit() -> None:
    """Its limit lies kp·e above the request, whatever it remembers."""
    for request in (-80.0, 0.0, 120.0):
        for error in (1e-9, 3.0, 500.0):
            limit, integral, active = upper_limit(request, error, 55.0, False, 2.0, 30.0, 1e-3, 140.0)
            assert (limit, integral, active) == (request + 2.0 * error, request, False)


def test_limiter_takes_over_without_a_bump() -> None:
    """At the tick at which the error changes sign the limit equals the request but for kp·e."""
    limit, integral, active = upper_limit(100.0, -0.01, 0.0, False, 2.0, 30.0, 1e-3, 140.0)
    assert limit == pytest.approx(100.0 - 0.02) and active
    assert integral == pytest.approx(100.0 - 30.0 * 1e-3 * 0.01)


def test_limiter_in_charge_is_a_pi_controller_with_a_bounded_integral() -> None:
    integral, active = 100.0, True
    for tick in range(50):
        limit, integral, active = upper_limit(100.0, -4.0, integral, active, 2.0, 30.0, 1e-3, 140.0)
        assert active and limit == pytest.approx(100.0 - 8.0 - 0.12 * tick)
    for _ in range(5000):
        limit, integral, active = upper_limit(100.0, -4.0, integral, active, 2.0, 30.0, 1e-3, 140.0)
    assert (integral, limit) == (-140.0, -148.0)


def test_limiter_hands_back_when_it_asks_for_more() -> None:
    limit, integral, active = upper_limit(20.0, 3.0, 30.0, True, 2.0, 30.0, 1e-3, 140.0)
    assert (limit, integral, active) == (36.0, 30.0, False)
    limit, integral, active = upper_limit(20.0, 3.0, integral, active, 2.0, 30.0, 1e-3, 140.0)
    assert (limit, integral, active) == (26.0, 20.0, False)
