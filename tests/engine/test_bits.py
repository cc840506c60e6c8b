"""Same input, same bits: however a run is cut into stretches, replayed or supervised."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from rigs import SHIPPED, shipped, start, ticks
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.sequence import actions, interlocks
from shaftloop.engine.run import Run
from shaftloop.engine.supervision import run_bench
from shaftloop.scenario.description import Record

BUSY = ("sequence.0.over=5 ms", "sequence.1.rise=1 ms", "sequence.1.fall=2 ms", "sequence.1.period=3 ms")
"""The reference bench with something to do in its first milliseconds."""


def same(one: Run, other: Run) -> bool:
    count = one.records
    return (
        np.array_equal(one.state, other.state)
        and count == other.records
        and np.array_equal(one.recording[:count], other.recording[:count])
    )


def same_results(one: Simulation, other: Simulation) -> bool:
    return (
        all(np.array_equal(one.traces[name], other.traces[name]) for name in one.traces)
        and one.energies == other.energies
        and one.peaks == other.peaks
        and (one.duration, one.step) == (other.duration, other.step)
    )


@pytest.mark.parametrize("name", SHIPPED)
def test_short_supervised_run_equals_the_plain_one(name: str) -> None:
    description = shipped(name, "duration=2 ms")
    shares: list[float] = []
    one, other = simulate(description, progress=shares.append), simulate(description, plain=True)
    assert len(one.time) > 5 and one.events == other.events == () and shares[-1] == 1.0
    assert same_results(one, other)


@pytest.mark.compiled
@pytest.mark.parametrize("name", SHIPPED)
def test_supervised_run_equals_the_plain_one(name: str) -> None:
    """Meters, peaks and every record, with limits armed that never trip."""
    shares: list[float] = []
    one = simulate(shipped(name), progress=shares.append)
    other = simulate(shipped(name), plain=True)
    assert one.events == () and same_results(one, other)
    assert shares == sorted(shares) and shares[-1] == 1.0


@pytest.mark.compiled
def test_two_runs_have_the_same_bits() -> None:
    assert same_results(simulate(shipped("micro-spindle")), simulate(shipped("micro-spindle")))


def test_seed_changes_the_noise_and_nothing_else_at_rest() -> None:
    description = shipped("micro-spindle", "duration=2 ms")
    one, other = simulate(description), simulate(replace(description, seed=12))
    assert not np.array_equal(one.traces["reading"], other.traces["reading"])
    assert np.array_equal(one.traces["speed_setpoint"], other.traces["speed_setpoint"])


@pytest.mark.parametrize("name", ["reference-bench", "wheel-hub", "micro-spindle"])
def test_stretches_that_end_at_instants_leave_no_seam(name: str) -> None:
    """Not at instants either: a stretch without `exact` goes on to the next instant."""
    bench = build_bench(shipped(name))
    whole, cut = start(bench), start(bench)
    whole.advance(ticks(whole, 4e-3))
    rng = np.random.default_rng(2)
    for tick in np.sort(rng.integers(0, ticks(cut, 4e-3), 40)):
        cut.advance(int(tick), guarded=bool(tick % 2))
    cut.advance(ticks(cut, 4e-3))
    assert same(whole, cut) and whole.position == cut.position


def test_exact_stop_at_an_instant_leaves_no_seam() -> None:
    bench = build_bench(shipped("reference-bench", *BUSY))
    whole, cut = start(bench), start(bench)
    whole.advance(ticks(whole, 4e-3), exact=True)
    for k in range(1, 9):
        cut.advance(ticks(cut, k * 5e-4), exact=True)
    assert same(whole, cut)


@pytest.mark.compiled
def test_exact_stops_between_instants_change_the_last_digits_only() -> None:
    """Both with steps so fine that their error does not count."""
    bench = build_bench(shipped("reference-bench", *BUSY))
    whole, cut = start(bench, fixed=16), start(bench, fixed=16)
    whole.advance(ticks(whole, 4e-3))
    rng = np.random.default_rng(4)
    stops = np.unique(rng.integers(0, ticks(cut, 4e-3), 12))
    assert all(cut.next_instant(int(tick)) != tick for tick in stops)
    for tick in stops:
        cut.advance(int(tick), exact=True)
        assert cut.position.tick == tick
    cut.advance(ticks(cut, 4e-3))
    n = len(bench.model.plant.a)
    assert whole.records == cut.records
    assert np.allclose(cut.state[:n], whole.state[:n], rtol=1e-9, atol=1e-9)
    difference = cut.recording[: cut.records] - whole.recording[: whole.records]
    assert 0.0 < np.abs(difference).max() < 1e-6
    meters = slice(bench.model.meter_slot, bench.model.peak_slot)
    assert np.allclose(cut.state[meters], whole.state[meters], rtol=1e-5, atol=1e-7)


def test_two_exact_stops_inside_one_gap() -> None:
    bench = build_bench(shipped("reference-bench", *BUSY))
    whole, cut = start(bench, fixed=16), start(bench, fixed=16)
    whole.advance(ticks(whole, 1e-3))
    for tick in (700_001, 700_002, 710_000, 724_999):
        cut.advance(tick, exact=True)
        assert cut.position.tick == tick and cut.position.gap >= 0
    assert not cut.advance(700_000)
    cut.advance(ticks(cut, 1e-3))
    n = len(bench.model.plant.a)
    assert np.allclose(cut.state[:n], whole.state[:n], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("name", ["wheel-hub", "micro-spindle"])
def test_restored_run_is_replayed_bit_by_bit(name: str) -> None:
    run = start(build_bench(shipped(name)))
    run.advance(ticks(run, 1e-3) + 17, exact=True)
    saved = run.save()
    results = []
    for _ in range(2):
        run.advance(ticks(run, 3e-3), guarded=True)
        results.append((run.state.copy(), run.recording[: run.records].copy(), run.position))
        run.restore(saved)
    assert np.array_equal(results[0][0], results[1][0])
    assert np.array_equal(results[0][1], results[1][1])
    assert results[0][2] == results[1][2]
    assert np.array_equal(run.state, saved.state) and run.records == saved.records


def test_restored_run_forgets_segments_that_were_added_since() -> None:
    bench = build_bench(shipped("reference-bench", *BUSY))
    supervised = Run(bench.model, start(bench)._gaps.stepping, 1000)
    saved = supervised.save()
    results = []
    for _ in range(2):
        events = run_bench(supervised, actions(bench), interlocks(bench), ticks(supervised, 2e-3))
        results.append((supervised.state.copy(), events))
        supervised.restore(saved)
    assert np.array_equal(results[0][0], results[1][0]) and results[0][1] == results[1][1]


def test_rate_of_the_recorder_changes_nothing_else() -> None:
    """At 2 kHz every record falls on an instant that the tasks have anyway."""
    description = shipped("micro-spindle", "duration=4 ms")
    fast, slow = (
        simulate(replace(description, record=Record(rate=Fraction(rate)))) for rate in (12_000, 2_000)
    )
    assert len(fast.time) == 48 and len(slow.time) == 8
    for name in fast.traces:
        assert np.array_equal(fast.traces[name][::6], slow.traces[name])
    assert fast.energies == slow.energies and fast.peaks == slow.peaks
