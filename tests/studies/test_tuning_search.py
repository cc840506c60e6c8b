"""The search for gains on plants that need no bench."""

from dataclasses import replace
from fractions import Fraction
from itertools import product

import numpy as np
import pytest

from shaftloop.control.parameters import DisturbanceObserver, Loop, Notch, Predictor, ReadingLowPass
from shaftloop.control.structures import controller_response
from shaftloop.studies.tuning.bounds import Bounds, Excursion, peak_command
from shaftloop.studies.tuning.closedloop import close
from shaftloop.studies.tuning.controller import controller_of, feedback, parts_of, with_gains
from shaftloop.studies.tuning.descent import descend
from shaftloop.studies.tuning.family import best_of_family
from shaftloop.studies.tuning.figures import figures, integral_gain, sensitivity_peaks
from shaftloop.studies.tuning.identify import identify
from shaftloop.studies.tuning.intervals import LoopParts, free_gaps, half_turns
from shaftloop.studies.tuning.plant import LoopPlant
from shaftloop.studies.tuning.pullback import pulled_back, rounded
from shaftloop.studies.tuning.rules import propose
from shaftloop.studies.tuning.search import Search
from shaftloop.studies.tuning.structures import STRUCTURES
from shaftloop.studies.tuning.tradeoff import broken, served, trade_off
from shaftloop_models.parameters import Delay, Gain
from testplants import transfer_plant

PERIOD = 0.05
PATH = (Gain(0.9, "1"), 0.6, Delay(Fraction(33, 100)))
STRUCTURED: list[dict[str, object]] = [
    {"kd": Gain(0.1, "s"), "derivative_cutoff": 4.0},
    {"predictor": Predictor(*PATH), "filters": (Notch("notch", 3.0, 0.4, 0.2),)},
    {"disturbance_observer": DisturbanceObserver(*PATH, 1.0)},
    {"disturbance_observer": DisturbanceObserver(*PATH, 1.0), "predictor": Predictor(*PATH)},
]


def loop(kp: float = 0.3, ki: float = 0.2, **others: object) -> Loop:
    base = Loop("t", "m", "s", Fraction(20), Gain(kp, "1"), Gain(ki, "1/s"), 10.0, anti_windup="conditional")
    return replace(base, **others)  # type: ignore[arg-type]


def lags(delay: float = 0.4) -> LoopPlant:
    return transfer_plant([1.0], [1.0, 2.0, 1.0], PERIOD, delay)


def resonant(frequency: float = 6.0, damping: float = 0.05) -> LoopPlant:
    return transfer_plant(
        [frequency**2], [1.0, 2.0 * damping * frequency, frequency**2], PERIOD, 0.2, "resonant"
    )


def test_a_sampled_plant_answers_like_its_transfer_function() -> None:
    on = lags(0.37)
    frequency = np.array([0.02, 0.1, 0.4])
    s = 2j * np.pi * frequency
    hold = (1.0 - np.exp(-s * PERIOD)) / (s * PERIOD)
    assert np.allclose(on.at(frequency), np.exp(-0.37 * s) * hold / (s + 1.0) ** 2, rtol=2e-3)
    assert on.static_gain == pytest.approx(1.0)


@pytest.mark.parametrize("delay", [0.0, 0.02, 0.05, 0.13])
def test_the_dead_time_need_not_be_a_number_of_periods(delay: float) -> None:
    """A unit step through a lag of 1 s, looked at tick by tick."""
    on = transfer_plant([1.0], [1.0, 1.0], PERIOD, delay)
    state, seen = np.zeros(len(on.system.a)), []
    for _ in range(40):
        seen.append(-(on.system.c @ state)[0])
        state = on.system.a @ state + on.system.b[:, 0]
    time = np.arange(40) * PERIOD
    assert np.allclose(seen, np.where(time > delay, 1.0 - np.exp(-np.maximum(time - delay, 0.0)), 0.0))


def test_the_closed_loop_is_the_controller_stepped_by_hand() -> None:
    on, controlled = lags(), loop(0.8, 0.5, filters=(Notch("notch", 3.0, 0.4, 0.2),), feedforward=0.3)
    response = close(on.system, controller_of(controlled)).step(0, 64)
    controller, memory, state = (
        controller_of(controlled),
        np.zeros(len(controller_of(controlled).a)),
        np.zeros(len(on.system.a)),
    )
    for k in range(64):
        reading = -(on.system.c @ state)[0]
        command = controller.c @ memory + controller.d @ [1.0, reading]
        assert (response.reading[k], response.command[k]) == pytest.approx((reading, command), abs=1e-12)
        memory = controller.a @ memory + controller.b @ [1.0, reading]
        state = on.system.a @ state + on.system.b[:, 0] * command


def by_states(controlled: Loop, frequency: np.ndarray) -> np.ndarray:
    """Return the response of a controller, command over minus reading, by its states."""
    own = controller_of(controlled)
    shifts = [np.exp(2j * np.pi * f * PERIOD) * np.eye(len(own.a)) - own.a for f in frequency]
    return np.array([-(own.d[1] + own.c @ np.linalg.solve(shift, own.b[:, 1])) for shift in shifts])


def test_the_split_of_a_controller_adds_up() -> None:
    frequency = np.array([0.01, 0.3, 2.0, 9.0])
    shape = loop(filters=(ReadingLowPass("low_pass", 4.0, 2),))
    parts = LoopParts(np.ones(4, complex), *parts_of(shape, frequency))
    whole = by_states(with_gains(shape, 1.7, 0.9), frequency)
    assert np.allclose(parts.controller(1.7, 0.9), whole)


def test_gaps_hold_what_no_frequency_forbids() -> None:
    on = resonant()
    parts = LoopParts(on.response, *parts_of(loop(), on.frequency))
    gaps = free_gaps([parts], np.array([0.05, 0.2]), 1.6, 1.5)
    assert gaps
    for gap in gaps:
        high = gap.high if np.isfinite(gap.high) else 2.0 * gap.low
        for share in (0.01, 0.5, 0.99):
            ms, mt = _peaks(on, parts.controller(gap.kp, gap.low + share * (high - gap.low)))
            assert ms <= 1.6 + 1e-9 and mt <= 1.5 + 1e-9
        if np.isfinite(gap.high):
            ms, mt = _peaks(on, parts.controller(gap.kp, gap.high * 1.001))
            assert ms > 1.6 or mt > 1.5


@pytest.mark.parametrize("changes", [{}, *STRUCTURED])
def test_turns_round_zero_count_the_unstable_poles(changes: dict[str, object]) -> None:
    """Argument principle: a half turn back for every pole that leaves the unit circle."""
    on, shape = resonant(damping=0.1), loop(**changes)
    part = LoopParts(on.response, *parts_of(shape, on.frequency))
    gains = np.array(list(product((0.0, 0.1, 0.5, 6.0), (0.01, 0.3, 2.0, 90.0, 1000.0))))
    loops = [close(on.system, controller_of(with_gains(shape, *pair))) for pair in gains]
    unstable = np.array([(np.abs(np.linalg.eigvals(closed.a)) > 1.0).sum() for closed in loops])
    assert len(set(unstable)) > 1
    assert len(set(unstable + half_turns(part, len(on.frequency), gains))) == 1


def _peaks(on: LoopPlant, controller: np.ndarray) -> tuple[float, float]:
    response = controller * on.response
    return float(np.max(1.0 / np.abs(1.0 + response))), float(np.max(np.abs(response / (1.0 + response))))


@pytest.mark.parametrize("changes", STRUCTURED)
def test_every_structure_is_the_controller_of_the_engine(changes: dict[str, object]) -> None:
    shape = loop(0.7, 0.4, **changes)
    frequency = np.array([0.01, 0.2, 1.5, 7.0])
    exact = [controller_response(shape, complex(z)) for z in np.exp(2j * np.pi * frequency * PERIOD)]
    assert np.allclose(by_states(shape, frequency), exact, rtol=1e-10)
    assert np.allclose(feedback(shape, frequency), exact, rtol=1e-10)
    parts = LoopParts(np.ones(4, complex), *parts_of(shape, frequency))
    assert np.allclose(parts.controller(0.7, 0.4), exact, rtol=1e-10)


@pytest.mark.parametrize("objective", ["disturbance", "setpoint", "integral_gain"])
def test_the_result_keeps_its_bounds_and_is_always_the_same(objective: str) -> None:
    bounds = Bounds(1.5, 1.3)
    first, again = (
        Search([lags()], bounds, objective).gains(loop())  # type: ignore[arg-type]
        for _ in range(2)
    )
    assert first == again and first is not None
    ms, mt = sensitivity_peaks([lags()], first.loop)
    assert ms.value <= 1.5 and mt.value <= 1.3
    assert max(ms.value / 1.5, mt.value / 1.3) > 0.98
    # Nothing near it is better and admissible.
    search = Search([lags()], bounds, objective)  # type: ignore[arg-type]
    for up, down in ((1.03, 1.0), (1.0, 1.03), (0.97, 1.0), (0.97, 1.03), (1.03, 1.03)):
        near = with_gains(loop(), first.loop.kp.value * up, first.loop.ki.value * down)
        assert not search.admits(near) or search.cost(near) > first.cost * (1.0 - 3e-3)


def test_the_integral_of_the_error_is_one_over_the_integral_gain() -> None:
    controlled = loop(0.5, 0.4)
    response = close(lags().system, controller_of(controlled)).step(1, 4096)
    assert -np.sum(-response.reading) * PERIOD == pytest.approx(1.0 / 0.4, rel=1e-6)
    assert integral_gain(controlled) == pytest.approx(0.4, rel=1e-5)


def test_noise_command_and_integral_bounds_are_kept() -> None:
    free = Search([lags()], Bounds(1.8, 1.8)).gains(loop())
    assert free is not None
    loud = figures([lags()], free.loop).noise_gain
    quiet = Search([lags()], Bounds(1.8, 1.8, noise_gain=0.5 * loud)).gains(loop())
    assert quiet is not None and figures([lags()], quiet.loop).noise_gain <= 0.5 * loud
    assert quiet.cost > free.cost
    step = Excursion(0.0, 1.0)
    peak = peak_command(lags(), free.loop, step)
    held = Search([lags()], Bounds(1.8, 1.8, command=0.9 * peak, excursion=step)).gains(loop())
    assert held is not None and peak_command(lags(), held.loop, step) <= 0.9 * peak
    wound = Search([resonant()], Bounds()).gains(loop(anti_windup="back_calculation"))
    assert wound is not None and wound.loop.ki.value * PERIOD <= wound.loop.kp.value * (1.0 + 1e-12)


def test_a_plant_that_cannot_keep_a_bound_has_no_gains() -> None:
    unstable = transfer_plant([1.0], [1.0, -1.0], PERIOD, 0.6)
    assert Search([unstable], Bounds(1.2, 1.2)).gains(loop()) is None
    assert not Search([unstable], Bounds(1.2, 1.2)).is_stable(loop())
    assert (
        best_of_family(Search([unstable], Bounds(1.2, 1.2)), STRUCTURES["kept"].family(loop(), unstable, {}))
        is None
    )  # type: ignore[arg-type]


def test_what_is_unstable_never_wins_even_where_the_count_of_turns_is_wrong(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    search = Search([resonant()], Bounds(3.0, 3.0))
    monkeypatch.setattr(Search, "_turns", lambda _, shape, parts, gaps: [(0,)] * len(gaps))
    monkeypatch.setattr(search, "_stability", {with_gains(loop(), 0.0, 0.0): {(0,): True}})
    parts = [on.parts(loop()) for on in search.plants]
    kps = (0.02, 0.05, 0.1, 1.0, 4.0)
    found = [search._among(loop(), parts, np.array([kp]), 6, np.inf) for kp in kps]
    assert [trial is not None for trial in found] == [True, True, False, False, False]
    assert all(trial is None or search.is_stable(trial.loop) for trial in found)


def test_a_descent_ends_where_limits_meet() -> None:
    """Least distance to (2, 1) within the unit circle and below a kinked line; nothing left of -3."""

    def look(at: np.ndarray, near: bool) -> np.ndarray | None:
        x, y = at
        limits = (x**2 + y**2 - 1.0, y - 0.2 - 0.1 * abs(x))
        return None if x < -3.0 else np.array([(x - 2.0) ** 2 + (y - 1.0) ** 2, *limits])

    end = descend(look, np.array([-0.9, -0.3]), np.full(2, 0.01), 1e-6, 50)
    values = look(end, False)
    assert values is not None and np.max(values[1:]) < 1e-3
    # Both limits meet at y = 0.2 + 0.1·x on the circle.
    x = (-0.04 + (0.04**2 + 4.0 * 1.01 * 0.96) ** 0.5) / (2.0 * 1.01)
    assert end == pytest.approx([x, 0.2 + 0.1 * x], abs=2e-3)
    lost = np.array([-4.0, 0.0])
    assert np.array_equal(descend(look, lost, np.full(2, 0.01), 1e-6, 50), lost)


def test_all_corners_count() -> None:
    slow, fast = lags(0.4), lags(0.9)
    both = Search([slow, fast], Bounds(), "integral_gain").gains(loop())
    assert both is not None
    for one in (slow, fast):
        ms, mt = sensitivity_peaks([one], both.loop)
        assert ms.value <= 1.6 and mt.value <= 1.4
        alone = Search([one], Bounds(), "integral_gain").gains(loop())
        assert alone is not None and alone.loop.ki.value >= both.loop.ki.value * (1.0 - 1e-6)


def test_rounded_gains_are_pulled_back_in_whatever_direction_leads_inwards() -> None:
    exact, width = (1.0 / 3.0, 2.0 / 3.0), 2e-4

    def keeps(near: Loop) -> bool:
        """Keep to a narrow wedge with its tip at the exact gains, that opens towards larger ki."""
        side, up = near.kp.value / exact[0] - 1.0, near.ki.value / exact[1] - 1.0
        return 0.0 <= up <= width and abs(side) <= 0.5 * up

    near = pulled_back(loop(*exact), keeps)
    assert near is not None and keeps(near) and near == rounded(near)
    assert pulled_back(loop(*exact), lambda _: False) is None
    back = pulled_back(loop(1.0 / 30.0, 2.0 / 3.0, anti_windup="back_calculation"), lambda _: True)
    assert back is not None and back.ki.value <= back.kp.value * 20.0


def test_a_baseline_that_is_better_is_returned() -> None:
    search = Search([lags()], Bounds())
    best = search.gains(loop())
    assert best is not None
    worse = with_gains(loop(), 0.1, 0.1)
    assert search.gains(loop(), baselines=[worse]) == best
    # A structure that cannot keep the bounds gives way to a simpler one that does.
    assert search.gains(loop(filters=(ReadingLowPass("low_pass", 0.01),)), baselines=[best.loop]) == best


@pytest.mark.parametrize("name", list(STRUCTURES))
def test_structures_keep_the_bounds_and_none_is_worse_than_pi(name: str) -> None:
    on = resonant()
    search = Search([on], Bounds())
    plain = best_of_family(search, STRUCTURES["pi"].family(loop(), on, {}))  # type: ignore[arg-type]
    assert plain is not None
    family = STRUCTURES[name].family(loop(), on, {"pi": plain.loop})
    if isinstance(family, str):
        reasons = {"pi_two_notches": "fewer than two"}
        assert reasons.get(name, "there is no bench") in family
        return
    trial = best_of_family(search, family, [plain.loop])
    assert trial is not None and search.admits(trial.loop) and trial.cost <= plain.cost * (1.0 + 1e-9)


def test_structures_that_serve_are_told_from_those_that_do_not() -> None:
    on = resonant(damping=0.02)
    plain = Search([on], Bounds()).gains(loop())
    notched = best_of_family(Search([on], Bounds()), STRUCTURES["pi_notch"].family(loop(), on, {}))  # type: ignore[arg-type]
    assert plain is not None and notched is not None
    assert served(Search([on], Bounds()), loop(), "pi")
    assert served(Search([on], Bounds()), loop(), "pi_notch")
    assert not served(Search([on], Bounds()), loop(), "active_damping")
    assert not served(Search([on], Bounds(ms=1.0001, mt=1.0001, noise_gain=1e-9)), loop(), "pi")


def test_the_nearest_trade_off_tells_which_bound_is_in_the_way() -> None:
    on = lags()
    low = Search([on], Bounds(noise_gain=1e-9))
    near = trade_off(low, loop())
    assert near is not None and near.alone
    assert broken(low, near.trial.loop)[0].startswith("noise gain <= 1e-09 (reached ")
    assert Search([on], Bounds()).admits(near.trial.loop)
    step = Search([on], Bounds(command=1e-3, excursion=Excursion(0.0, 1.0)))
    near = trade_off(step, loop())
    assert near is not None and near.alone and "`may_clamp`" in broken(step, near.trial.loop)[0]


def test_a_notch_pays_on_a_resonance() -> None:
    on = resonant()
    search = Search([on], Bounds())
    plain = search.gains(loop())
    family = STRUCTURES["pi_notch"].family(loop(), on, {})
    assert plain is not None and not isinstance(family, str)
    trial = best_of_family(search, family)
    assert trial is not None and trial.cost < 0.8 * plain.cost


def test_structures_that_do_not_apply_say_why() -> None:
    smooth, prompt = lags(), transfer_plant([1.0], [1.0, 1.0], PERIOD)
    assert "no shaft mode" in str(STRUCTURES["pi_notch"].family(loop(), smooth, {}))
    for name in ("pid", "predictor", "disturbance_observer"):
        assert "phase never reaches" in str(STRUCTURES[name].family(loop(), prompt, {}))


def test_models_and_rules_of_simple_plants() -> None:
    lag = transfer_plant([2.0], [3.0, 1.0], PERIOD, 0.5)
    model = identify(lag, loop())
    assert model is not None and (model.gain, model.lag) == pytest.approx((2.0, 3.0), rel=2e-2)
    assert model.delay == pytest.approx(0.5 + 0.5 * PERIOD, rel=2e-2)
    integrator = identify(transfer_plant([0.5], [1.0, 0.0], PERIOD, 0.5), loop())
    assert (
        integrator is not None and integrator.integrates and integrator.rate == pytest.approx(0.5, rel=3e-3)
    )
    ringing = identify(resonant(), loop())
    assert ringing is not None and ringing.lag == 0.0 and ringing.delay > 0.2
    said = {p.rule: p for p in propose(model, None, loop())}
    assert said["relay, AMIGO"].reason == "the relay finds no regular limit cycle"
    assert said["symmetrical optimum"].loop is not None
    said = {p.rule: p for p in propose(ringing, None, loop(anti_windup="back_calculation"))}
    assert "neither integrates" in said["symmetrical optimum"].reason
    assert "kp raised" in said["SIMC"].reason
    said = {p.rule: p for p in propose(integrator, None, loop())}
    assert "symmetrical optimum is meant" in said["magnitude optimum"].reason
    assert all(p.loop is None and "phase never" in p.reason for p in propose(None, None, loop()))
    assert identify(transfer_plant([1.0], [1.0, 1.0], PERIOD), loop()) is None
