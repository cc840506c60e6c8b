"""Tuning against published rules and test plants; every source stands beside its figures."""

from fractions import Fraction

import numpy as np
import pytest

from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.bounds import Bounds
from shaftloop.studies.tuning.controller import feedback
from shaftloop.studies.tuning.family import improved
from shaftloop.studies.tuning.figures import figures
from shaftloop.studies.tuning.identify import LagModel
from shaftloop.studies.tuning.plant import LoopPlant
from shaftloop.studies.tuning.rules import amigo_pi, simc_pi
from shaftloop.studies.tuning.search import Search
from shaftloop_models.parameters import Gain
from testplants import relay_on_plant, transfer_plant

PERIOD = 0.02


def loop(kp: float = 0.0, ki: float = 0.0, period: float = PERIOD) -> Loop:
    """A sampled controller close to a continuous one: the Euler integral is half a tick late."""
    return Loop(
        "test",
        "machine",
        "sensor",
        Fraction(1) / Fraction(str(period)),
        Gain(kp + 0.5 * ki * period, "1"),
        Gain(ki, "1/s"),
        1.0,
        anti_windup="conditional",
    )


def plant(numerator: list[float], denominator: list[float], delay: float = 0.0) -> LoopPlant:
    """A plant whose hold is made up for by dead time taken away, where there is any."""
    return transfer_plant(numerator, denominator, PERIOD, max(delay - 0.5 * PERIOD, 0.0))


def factor(on: LoopPlant, rule: Loop, mt: float | None = None) -> float:
    """Integral gain of the optimum at the Ms of a rule, over that of the rule."""
    worst = figures([on], rule)
    bounds = Bounds(worst.ms.value * (1.0 + 1e-9), (mt or max(worst.mt.value, 1.001)) * (1.0 + 1e-9))
    search = Search([on], bounds, "integral_gain")
    best = search.gains(rule, baselines=[rule])
    assert best is not None and search.admits(best.loop)
    return best.loop.ki.value / rule.ki.value


def largest_ki(on: LoopPlant, ms: float, mt: float) -> float:
    """The same by brute force over a grid of gains: no interval, no exchange, no zoom."""
    best = 0.0
    frequency, response = on.frequency, on.response
    integral = feedback(loop(0.0, 1.0), frequency) * response
    for kp in np.linspace(0.0, 1.5, 301):
        ki = np.linspace(0.0, 1.0, 401)[:, None]
        open_loop = kp * response + ki * integral
        good = (np.abs(1.0 / (1.0 + open_loop)).max(axis=1) <= ms) & (
            np.abs(open_loop / (1.0 + open_loop)).max(axis=1) <= mt
        )
        # Stable: beyond the first forbidden gain nothing counts.
        reach = np.argmin(good) if not good.all() else len(good)
        if reach > 0:
            best = max(best, float(ki[reach - 1, 0]))
    return best


def test_simc_on_a_lag_with_delay() -> None:
    """S. Skogestad, J. Process Control 13 (2003) 291-309, table 1; from memory."""
    kp, ki = simc_pi(LagModel(1.0, 4.0, 1.0, 0.25))
    assert (kp, ki) == pytest.approx((2.0, 0.5))
    on, rule = plant([1.0], [4.0, 1.0], 1.0), loop(kp, ki)
    found = figures([on], rule)
    assert found.stable
    assert found.ms.value == pytest.approx(1.5905, rel=3e-3)
    assert found.mt.value == pytest.approx(1.0, rel=3e-3)
    response = feedback(rule, on.frequency) * on.response
    crossover = float(np.interp(1.0, 1.0 / np.abs(response)[:200], on.frequency[:200]))
    phase = float(np.interp(crossover, on.frequency, np.unwrap(np.angle(response))))
    assert 2.0 * np.pi * crossover == pytest.approx(0.5, rel=5e-3)
    assert 180.0 + np.degrees(phase) == pytest.approx(61.4, rel=3e-3)
    assert factor(on, rule) >= 1.0
    # A bound on Mt as on Ms lets the optimum use what the rule leaves.
    assert factor(on, rule, mt=1.59) > 1.3


def test_simc_on_a_plant_of_order_seven() -> None:
    """S. Skogestad (2003), worked example; models read in a stored solution, margins recomputed."""
    lags = [2.0, 1.0, 0.4, 0.2, 0.05, 0.05, 0.05]
    # The half rule: half of the largest lag left out goes to the lag that stays, all else to the delay.
    first, delay = 2.5, 1.47
    kp, ki = simc_pi(LagModel(1.0, first, delay, 1.0 / first))
    assert (kp, kp / ki) == pytest.approx((0.850, 2.5), abs=1e-3)
    numerator = np.polymul([-0.3, 1.0], [0.08, 1.0])
    denominator = np.array([1.0])
    for lag in lags:
        denominator = np.polymul(denominator, [lag, 1.0])
    on = plant(list(numerator), list(denominator))
    found = figures([on], loop(kp, ki))
    assert found.stable and found.ms.value == pytest.approx(1.66, rel=1e-2)
    assert factor(on, loop(kp, ki)) >= 1.0
    assert factor(on, loop(kp, ki), mt=1.66) > 1.01


def test_amigo_on_four_equal_lags() -> None:
    """Åström, Hägglund, Advanced PID Control (2006), equation 7.5 and the example 1/(s + 1)⁴."""
    model = LagModel(1.0, 2.9, 1.42, 1.0 / 2.9)
    kp, ki = amigo_pi(model)
    assert (kp, kp / ki) == pytest.approx((0.414, 2.66), rel=3e-3)
    on = plant([1.0], [1.0, 4.0, 6.0, 4.0, 1.0])
    rule = loop(kp, ki)
    found = figures([on], rule)
    assert found.stable and found.ms.value == pytest.approx(1.318, rel=3e-3)
    assert factor(on, rule) >= 1.0
    assert factor(on, rule, mt=1.4) > 1.01


@pytest.mark.parametrize("ms", [1.4, 1.6, 2.0])
def test_the_optimum_on_four_equal_lags_is_that_of_brute_force(ms: float) -> None:
    on = plant([1.0], [1.0, 4.0, 6.0, 4.0, 1.0])
    best = Search([on], Bounds(ms, ms), "integral_gain").gains(loop())
    assert best is not None
    reached = largest_ki(on, ms, ms)
    assert reached <= best.loop.ki.value * 1.001
    assert best.loop.ki.value == pytest.approx(reached, abs=0.005)


def test_amigo_of_a_plant_that_integrates() -> None:
    """The same book, equations for integrating plants; from memory."""
    model = LagModel(float("inf"), float("inf"), 2.0, 0.5)
    kp, ki = amigo_pi(model)
    assert (kp, kp / ki) == pytest.approx((0.35, 26.8))


def test_relay_on_three_equal_lags() -> None:
    """Åström, Hägglund, Automatica 20 (1984) 645-651 (method); the limit cycle from its exact equation."""
    found = relay_on_plant(transfer_plant([1.0], [1.0, 3.0, 3.0, 1.0], 1e-3), 1.0, 60.0)
    assert found is not None
    assert found.period == pytest.approx(3.6798, rel=3e-3)
    assert found.amplitude == pytest.approx(0.1631, rel=3e-3)
    assert found.gain == pytest.approx(7.808, rel=3e-3)
    assert relay_on_plant(transfer_plant([1.0], [1.0, 1.0], 1e-3), 1.0, 0.004) is None


@pytest.mark.parametrize(
    ("published", "optimum", "areas"),
    [
        ((1.4,), (1.505,), (1.990, 1.952)),
        ((1.75, 2.15), (1.782, 2.171), (3.143, 3.138)),
    ],
)
def test_itae_standard_forms_are_not_quite_the_optimum(
    published: tuple[float, ...], optimum: tuple[float, ...], areas: tuple[float, float]
) -> None:
    """Graham, Lathrop, Trans. AIEE 72 (1953), from memory; areas and optimum recomputed.

    The closed loop sⁿ + a·sⁿ⁻¹ + ... + 1 is unit feedback around 1/(sⁿ + a·sⁿ⁻¹ + ... + b·s).
    """
    period = 0.005

    def area(coefficients: tuple[float, ...]) -> float:
        on = transfer_plant([1.0], [1.0, *coefficients, 0.0], period)
        return Search([on], Bounds(10.0, 10.0), "itae").cost(loop(1.0, 0.0, period))

    assert area(published) == pytest.approx(areas[0], rel=1e-2)
    best = improved(area, published, tuple(0.1 for _ in published))
    for _ in range(3):
        best = improved(area, best, tuple(0.02 for _ in published))
    assert best == pytest.approx(optimum, rel=1.5e-2)
    assert area(best) < area(published)
    assert area(best) == pytest.approx(areas[1], rel=1e-2)
