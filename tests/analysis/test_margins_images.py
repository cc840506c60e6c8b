"""Loops that tick several times per hyperperiod: images of a frequency, and what lies at half the rate."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.signal import tf2ss

from changed import changed
from randombench import random_bench
from shaftloop.analysis.budget import latency_budget
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.openloop import OpenLoop, spectral_radius
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.response import fundamental, grid
from shaftloop.analysis.sensitivity import amplification, sensitivity
from shaftloop.analysis.worstcase import LoopAnalysis, analyse_loops
from shaftloop.scenario.reading import read_scenario

BENCHES = Path(__file__).parents[1] / "benches"
POINT = OperatingPoint({}, 0.0, 0.0)
PERIOD = 1e-3


def analysed(bench: str, loop: str) -> LoopAnalysis:
    return analyse_loops(read_scenario(BENCHES / f"{bench}.toml", ()).description, [loop])[loop]


def lifted(numerator: list[float], denominator: list[float], ticks: int) -> OpenLoop:
    """Return L(z) = numerator/denominator as a loop with several ticks per hyperperiod."""
    a, b, c, d = tf2ss(numerator, denominator)
    power = [np.linalg.matrix_power(a, k) for k in range(ticks + 1)]
    markov = [d, *(c @ power[k] @ b for k in range(ticks))]
    whole = np.array([[markov[i - j][0, 0] if i >= j else 0.0 for j in range(ticks)] for i in range(ticks)])
    inputs = np.hstack([power[ticks - 1 - j] @ b for j in range(ticks)])
    outputs = np.vstack([c @ power[j] for j in range(ticks)])
    # Negative feedback: what the controller asks for is -L times what is passed on.
    instants = PERIOD * np.arange(ticks)
    return OpenLoop(power[ticks], inputs, -outputs, -whole, ticks * PERIOD, instants)


def margins(loop: OpenLoop) -> Margins:
    return Margins("test", "torque", POINT, loop)


@pytest.mark.parametrize("ticks", [2, 3, 4])
@pytest.mark.parametrize(
    ("numerator", "denominator"),
    [([0.3, 0.1], [1.0, -1.5, 0.5]), ([0.2, -0.19], [1.0, -2.3, 1.6, -0.3])],
    ids=["integrator", "two integrators"],
)
def test_lifting_a_loop_that_integrates_changes_nothing(
    numerator: list[float], denominator: list[float], ticks: int
) -> None:
    plain, many = margins(lifted(numerator, denominator, 1)), margins(lifted(numerator, denominator, ticks))
    assert [c.kind for c in many.crossings] == [c.kind for c in plain.crossings]
    for one, other in zip(many.crossings, plain.crossings, strict=True):
        assert (one.frequency, one.value) == pytest.approx((other.frequency, other.value), rel=1e-6)
    assert many.gain_margin == pytest.approx(plain.gain_margin, rel=1e-9)
    assert (many.ms, many.mt) == pytest.approx((plain.ms, plain.mt), rel=1e-5)
    assert many.worst_amplification == pytest.approx(many.ms, rel=1e-5)
    # Images of 0 Hz, the last one half the rate where the number of ticks is even.
    images = np.arange(1, ticks // 2 + 1) / (ticks * PERIOD)
    z = np.exp(2j * np.pi * images * PERIOD)
    exact = np.polyval(numerator, z) / np.polyval(denominator, z)
    for aside in (0.0, 1e-9, 3e-6):
        found = fundamental(lifted(numerator, denominator, ticks), images * (1.0 - aside))
        assert np.abs(found / exact - 1.0).max() < 1e-4 * (aside > 0.0) + 1e-8


@pytest.mark.parametrize("ticks", [1, 2, 3])
def test_the_smallest_factor_may_lie_at_half_the_rate(ticks: int) -> None:
    # L = 0.4/(z - 1) is -0.2 at z = -1, and real nowhere else.
    found = margins(lifted([0.4], [1.0, -1.0], ticks))
    assert [c.kind for c in found.crossings] == ["gain", "phase"]
    edge = found.crossings[-1]
    assert edge.frequency == pytest.approx(0.5 / PERIOD) and edge.value == pytest.approx(5.0, rel=1e-8)
    assert found.gain_margin == pytest.approx(5.0, rel=1e-9)
    assert found.fundamental_gain_margin == pytest.approx(5.0, rel=1e-8)


def _resonant(size: float) -> tuple[list[float], list[float]]:
    """Return L(z): a lag and a delay at -172 degrees, from where a resonance's circle points upwards."""
    turn, gap = 0.25, 1e-4
    pole = (1.0 - gap) * np.exp(1j * turn)
    residue = 1j * np.exp(1j * turn) * size * gap
    resonance = np.poly([pole, pole.conjugate()]).real
    peak = [2.0 * residue.real, -2.0 * (residue * pole.conjugate()).real]
    base = np.convolve([1.0, -0.95], [1.0, 0, 0, 0, 0, 0, 0])
    numerator = np.polyadd(0.2 * resonance, np.convolve(peak, base))
    return list(numerator), list(np.convolve(base, resonance))


def _near_factors(size: float) -> NDArray[np.float64]:
    """Return the factors that bring the circle of the resonance onto -1, from L(z) itself."""
    numerator, denominator = _resonant(size)

    def value(turn: float) -> complex:
        z = np.exp(1j * turn)
        return complex(np.polyval(numerator, z) / np.polyval(denominator, z))

    turns = 0.25 + 1e-4 * np.linspace(-3.0, 3.0, 3001)
    imaginary = np.array([value(turn).imag for turn in turns])
    found = [
        brentq(lambda turn: value(turn).imag, turns[i], turns[i + 1], xtol=1e-16)
        for i in np.flatnonzero(imaginary[:-1] * imaginary[1:] < 0.0)
    ]
    return np.sort([-1.0 / value(turn).real for turn in found])


@pytest.mark.parametrize("ticks", [1, 2])
def test_stability_lost_and_regained_within_a_narrow_band_of_gains(ticks: int) -> None:
    size = 0.118129  # the circle reaches over the real axis by less than its thousandth part
    first, last = _near_factors(size)
    assert 1.25 < first < last < 1.001 * first
    loop = lifted(*_resonant(size), ticks)
    around = [0.9999 * first, (first * last) ** 0.5, 1.0001 * last]
    assert [spectral_radius(loop.closed(k)) < 1.0 for k in around] == [True, False, True]
    found = margins(loop)
    assert found.stable and found.gain_margin == pytest.approx(first, rel=1e-7)


def test_ms_is_what_a_tone_becomes_in_the_running_bench() -> None:
    """A torque of one frequency is added to the command of the compiled bench, tick by tick."""
    found, tone, size = analysed("several-ticks-amplify", "torque"), 102.0, 1e-3
    bench, loop = found.bench, found.bench.bench.loops["torque"]
    system, state = found.margins.system, found.state.copy()
    at_rest = bench.walk(state, np.array([bench.ticks]))[0][loop.break_slot]
    ticks = np.rint(system.instants * bench.run.clock.ticks_per_second).astype(int)
    ends = [*ticks[1:], bench.ticks]
    passed = []
    for k in range(3500):
        where = (0, 0, -1)
        for instant, end in zip(system.instants, ends, strict=True):
            wave = np.exp(2j * np.pi * tone * (k * system.hyperperiod + instant))
            state[loop.break_slot + 1] = size * wave.real
            where = bench._stretch(state, where, int(end))
            command = state[loop.break_slot] - at_rest + size * wave.real
            passed.append(2.0 * command * wave.conjugate() / size)
    measured = abs(np.mean(passed[-500 * len(ticks) :]))  # whole periods of the tone
    assert measured == pytest.approx(5.7768, abs=1e-3)
    assert abs(sensitivity(system, np.array([tone]))[0]) == pytest.approx(measured, rel=1e-4)
    assert abs(1.0 / (1.0 + fundamental(system, np.array([tone]))[0])) < 0.97 * measured
    assert found.margins.ms == pytest.approx(5.783, abs=1e-3)


def test_the_worst_amplification_is_what_the_worst_mixture_becomes_from_tick_to_tick() -> None:
    """The closed loop is stepped with each tick of the hyperperiod excited by itself."""
    found = analysed("several-ticks-amplify", "torque").margins
    system, at = found.system, found.worst_amplification_frequency
    count, z = len(system.instants), np.exp(2j * np.pi * at * found.hyperperiod)
    columns = np.empty((count, count), dtype=complex)
    for j in range(count):
        state, added = np.zeros(len(system.a), dtype=complex), np.zeros(count, dtype=complex)
        for k in range(8000):
            added[j] = z**k
            passed = added.copy()
            for i in range(count):
                passed[i] += system.c[i] @ state + system.d[i, :i] @ passed[:i]
            state = system.a @ state + system.b @ passed
        columns[:, j] = passed / z**7999
    assert np.linalg.norm(columns, 2) == pytest.approx(found.worst_amplification, rel=1e-4)
    assert found.worst_amplification == pytest.approx(11.66, abs=5e-3)


def test_a_command_thinned_by_a_bus_amplifies_images_twice_as_much() -> None:
    found = analysed("command-thinned-by-bus", "torque").margins
    assert found.ms == pytest.approx(1.2235, abs=1e-4) and found.ticks == 4
    assert found.worst_amplification == pytest.approx(2.280, abs=1e-3)
    # 2.27 of a tone at 1002 Hz, an image of 2 Hz.
    both = amplification(found.system, np.array([2.0, 1002.0]))
    assert both[0] == pytest.approx(both[1], rel=1e-9) and both[1] == pytest.approx(2.28, abs=5e-3)


def test_half_the_rate_is_no_crossover_where_it_is_an_image_of_zero() -> None:
    found = analysed("image-of-zero-at-half-rate", "speed")
    margins_found = found.margins
    assert margins_found.ticks == 2
    assert margins_found.crossover == pytest.approx(73.756, abs=1e-3)
    assert abs(margins_found.response[-1]) < 0.01
    budget = latency_budget(found.description, margins_found)
    assert budget is not None and budget.frequency == pytest.approx(73.756, abs=1e-3)
    # Slightly off the image the response is what it is there.
    half = margins_found.frequency[-1]
    beside = fundamental(margins_found.system, np.array([half * (1.0 - 1e-4), half]))
    assert beside[0].real == pytest.approx(beside[1].real, rel=1e-4)


@pytest.mark.parametrize("seed", [12, 24])
def test_images_without_a_peak_are_not_looked_at_and_not_missed(tmp_path: Path, seed: int) -> None:
    (tmp_path / "bench.toml").write_text(random_bench(seed), encoding="utf-8")
    description = read_scenario(tmp_path / "bench.toml").description
    for found in analyse_loops(description, ("speed", "torque")).values():
        some = found.margins
        every = changed(margins(some.system), frequency=grid(some.system))
        assert len(some.frequency) < 0.6 * len(every.frequency)
        seen, there = ([c.kind for c in m.crossings if c.value < 1e3] for m in (some, every))
        assert seen == there
        for figure in ("ms", "mt", "worst_amplification", "crossover", "phase_margin", "gain_margin"):
            assert getattr(some, figure) == pytest.approx(getattr(every, figure), rel=1e-6), figure
        assert some.noise_gain == pytest.approx(every.noise_gain, rel=1e-4)
