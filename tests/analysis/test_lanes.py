"""Benches in lanes: bit for bit what each gives on its own, whatever its neighbours."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rigs import SHIPPED, coupling, describe, disc, sensor, servo, shipped, speed_loop, step, torque_loop
from shaftloop.analysis.lanes import LANES, Outcome, simulate_many
from shaftloop.analysis.metrics import METRICS, metrics, needed_channels
from shaftloop.analysis.simulation import Simulation, make_run, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.engine.lanes import advance_together
from shaftloop.engine.model import alike
from shaftloop.engine.run import Run
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description


def with_gains(description: Description, factor: float) -> Description:
    loops = tuple(
        replace(
            loop,
            kp=replace(loop.kp, value=factor * loop.kp.value),
            ki=replace(loop.ki, value=loop.ki.value / factor),
        )
        for loop in description.loop
    )
    return replace(description, loop=loops)


def candidates(name: str, count: int, *settings: str) -> list[Description]:
    return [with_gains(shipped(name, *settings), 0.8 + 0.4 * i / count) for i in range(count)]


def assert_same(one: Simulation, other: Simulation) -> None:
    assert one.traces.keys() == other.traces.keys() and one.units == other.units
    assert all(np.array_equal(one.traces[name], other.traces[name]) for name in one.traces)
    assert np.array_equal(one.time, other.time)
    assert one.energies == other.energies and one.peaks == other.peaks and one.events == other.events
    assert (one.duration, one.step, one.method) == (other.duration, other.step, other.method)


def assert_as_single(
    descriptions: Sequence[Description], outcomes: Sequence[Outcome], *, in_lanes: bool
) -> None:
    assert len(outcomes) == len(descriptions)
    for description, outcome in zip(descriptions, outcomes, strict=True):
        assert outcome.simulation is not None and outcome.error is None and outcome.in_lanes == in_lanes
        assert_same(outcome.simulation, simulate(description))


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_scenarios_in_lanes(name: str) -> None:
    """Limits are armed in three of them and never act."""
    descriptions = candidates(name, 3, "duration=1.3 ms")
    assert_as_single(descriptions, list(simulate_many(descriptions)), in_lanes=True)


@pytest.mark.compiled
@pytest.mark.parametrize("name", SHIPPED)
def test_whole_scenarios_in_lanes_with_metrics(name: str) -> None:
    descriptions = candidates(name, 2)
    for description, outcome in zip(descriptions, simulate_many(descriptions), strict=True):
        one, other = outcome.simulation, simulate(description)
        assert one is not None and outcome.in_lanes
        assert_same(one, other)
        assert METRICS and one.energies.residual == other.energies.residual


@pytest.mark.compiled
@pytest.mark.parametrize(("width", "threads"), [(1, 1), (3, 2), (8, 1), (16, 2)])
def test_width_threads_and_order_do_not_matter(width: int, threads: int) -> None:
    """37 candidates leave lanes over at every width."""
    descriptions = candidates("reference-bench", 37, "duration=3 ms", "sequence.0.over=2 ms")
    singles = [simulate(description) for description in descriptions]
    order = np.random.default_rng(width).permutation(len(descriptions))
    shuffled = (descriptions[i] for i in order)
    outcomes = list(simulate_many(shuffled, width=width, threads=threads))
    for place, outcome in zip(order, outcomes, strict=True):
        assert outcome.simulation is not None
        alone = width == 1 or (width == 3 and place == order[-1])
        assert outcome.in_lanes is not alone
        assert_same(outcome.simulation, singles[place])


def rig(**keys: Any) -> dict[str, Any]:
    line = [servo("drive", 0.05), coupling("c", 2e4), disc("b", 0.01), sensor("ts", 2e4), servo("load", 0.1)]
    loops = [speed_loop("drive", 5.0, 50.0), torque_loop("load", "ts", kp=0.1, ki="20 1/s")]
    moves = [step("speed", "100 rpm"), step("torque", "10 N m")]
    return {"duration": "3 ms", "line": line, "loop": loops, "sequence": moves, **keys}


def test_numbers_of_all_kinds_may_differ() -> None:
    """Set-points, zero of the sensor, envelope of a drive, seed; one group."""
    descriptions = []
    for i in range(4):
        document = rig(seed=i)
        document["line"][3] = sensor("ts", 2e4, zero=f"{i} N m", gain_error=0.001 * i)
        document["line"][4] = servo("load", 0.1, max_torque=f"{5 + i} N m", efficiency=0.8 + 0.05 * i)
        document["sequence"] = [step("speed", f"{100 + i} rpm"), step("torque", f"{10 - i} N m")]
        descriptions.append(describe(document))
    assert_as_single(descriptions, list(simulate_many(descriptions)), in_lanes=True)


def test_saturated_coulomb_drag_in_reverse() -> None:
    """Turning backwards the drag is at its end, and pushes forward."""
    document = rig(sequence=[step("speed", "-100 rpm"), step("torque", "-10 N m")], duration="5 ms")
    descriptions = []
    for i in range(3):
        # All equally steep around 0, so that they take the same steps.
        drag = {"coulomb": f"{2 + 2 * i} N m", "smoothing": f"{0.01 * (1 + i)} rad/s"}
        document["line"][0] = servo("drive", 0.005, drag=drag)
        descriptions.append(describe(document))
    outcomes = list(simulate_many(descriptions))
    assert_as_single(descriptions, outcomes, in_lanes=True)
    last = [outcome.simulation.traces["drive_speed"][-1] for outcome in outcomes if outcome.simulation]
    assert len(last) == 3 and last == sorted(last) and last[0] < last[-1] < -0.3


def test_steps_between_waits_come_at_their_time() -> None:
    """Lanes lay the whole sequence out before they start; a run on its own waits."""
    ramp = {"do": "ramp", "loop": "torque", "to": "20 N m", "over": "1 ms", "wait": False}
    hold = {"do": "hold", "time": "0.7 ms"}
    moves = [step("speed", "100 rpm"), hold, ramp, hold, step("torque", "-10 N m"), hold]
    descriptions = [describe(rig(sequence=moves, seed=i)) for i in range(2)]
    assert_as_single(descriptions, list(simulate_many(descriptions)), in_lanes=True)


def test_different_ends_form_groups_of_their_own() -> None:
    documents = [rig(**keys) for keys in ({}, {"duration": "2.00007 ms"}) for _ in range(2)]
    descriptions = [describe(document) for document in documents]
    outcomes = list(simulate_many(descriptions[::2] + descriptions[1::2]))
    assert_as_single(descriptions[::2] + descriptions[1::2], outcomes, in_lanes=True)


def test_different_matrices_share_lanes_that_are_left_over(monkeypatch: pytest.MonkeyPatch) -> None:
    """Five lanes: five benches with equal matrices; two more beside three with matrices of their own."""
    sizes = []

    def noted(runs: Sequence[Run], *given: Any) -> Any:
        sizes.append((len(runs), len({run.tables.gap_matrices.identity for run in runs})))
        return advance_together(runs, *given)

    monkeypatch.setattr("shaftloop.analysis.lanes.advance_together", noted)
    documents = [rig(seed=i) for i in range(10)]
    for i, document in enumerate(documents[7:]):
        document["line"][1] = coupling("c", 3e4 + 100.0 * i)
    descriptions = [describe(document) for document in documents]
    assert_as_single(descriptions, list(simulate_many(descriptions, width=5)), in_lanes=True)
    assert sizes == [(5, 1), (5, 4)]


def test_bench_that_no_other_can_join_runs_singly() -> None:
    """Lanes of one take the time of sixteen."""
    documents = [rig(), rig(duration="2 ms"), rig()]
    descriptions = [describe(document) for document in documents]
    outcomes = list(simulate_many(descriptions))
    assert [outcome.in_lanes for outcome in outcomes] == [True, False, True]
    assert outcomes[1].simulation is not None
    assert_same(outcomes[1].simulation, simulate(descriptions[1]))


def test_long_recordings_are_taken_ahead_by_few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where two recordings are allowed, the third bench is the last before an outcome is handed out."""
    descriptions = [describe(rig(seed=i)) for i in range(6)]
    size = make_run(build_bench(descriptions[0]))[0].recording.nbytes
    taken = []

    def stream() -> Iterator[Description]:
        for i, description in enumerate(descriptions):
            taken.append(i)
            yield description

    monkeypatch.setattr("shaftloop.analysis.lanes._MOST_AHEAD", 2 * size)
    outcomes = simulate_many(stream())
    found = [next(outcomes)]
    assert len(taken) == 3
    found += outcomes
    assert_as_single(descriptions, found, in_lanes=True)


def test_groups_in_turn_come_out_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """More lines than are remembered, in turn, and more benches than are taken ahead."""
    monkeypatch.setattr("shaftloop.analysis.lanes._MOST_KNOWN", 2)
    documents = [rig(duration="1 ms", seed=i) for i in range(12)]
    for i, document in enumerate(documents):
        document["line"][1] = coupling("c", 3e4 + 100.0 * (i // 2 % 3))
    descriptions = [describe(document) for document in documents]
    assert_as_single(descriptions, list(simulate_many(descriptions, width=2)), in_lanes=True)


@pytest.mark.parametrize("name", SHIPPED)
def test_variant_has_the_tables_of_a_new_run(name: str) -> None:
    first, second = (build_bench(description) for description in candidates(name, 2))
    run, other = make_run(first)[0], make_run(second)[0]
    assert alike(first.model, second.model)
    variant = run.variant(second.model)
    assert np.array_equal(variant.tables.it, other.tables.it)
    assert np.array_equal(variant.tables.ft, other.tables.ft)
    assert not np.array_equal(run.tables.ft, other.tables.ft)
    assert np.array_equal(variant.work, other.work) and np.array_equal(variant.state, other.state)


def test_benches_that_differ_in_more_than_numbers_are_not_alike() -> None:
    plain = build_bench(describe(rig())).model
    loops = rig()["loop"]
    notch = {"kind": "notch", "frequency": "300 Hz"}
    others: list[dict[str, Any]] = [
        {"loop": [loops[0], loops[1] | {"filters": [notch]}]},
        {"loop": [loops[0] | {"anti_windup": "conditional"}, loops[1]]},
        {"loop": [loops[0], loops[1] | {"rate": "2 kHz"}]},
        {"line": [*rig()["line"][:1], coupling("c", 3e4), *rig()["line"][2:]]},
        {"limit": [{"name": "over", "watches": "ts", "above": "1 N m"}]},
        {"record": {"channels": ["torque.error"]}},
        {"seed": 1},
    ]
    assert alike(plain, build_bench(describe(rig())).model)
    assert not any(alike(plain, build_bench(describe(rig(**keys))).model) for keys in others)


def test_metrics_are_the_same_with_the_channels_that_they_need() -> None:
    for limit in (None, {"name": "over", "watches": "ts", "above": "1 N m"}):
        description = describe(rig(duration="20 ms", **({"limit": [limit]} if limit else {})))
        outcome, _ = simulate_many([description] * 2, channels=needed_channels)
        assert outcome.simulation is not None
        names = {"true_torque", "reading", "speed_setpoint", "torque_setpoint", "drive_speed"}
        names |= {"drive_energy", "load_energy", "grid_energy"}
        if limit:  # what may trip has a timeline: when torque is gone, and how far the line runs on
            names |= {"drive_torque", "load_torque", "load_speed"}
        assert set(outcome.simulation.traces) == set(outcome.simulation.units) == names
        assert metrics(outcome.simulation) == metrics(simulate(description))


def test_exceeded_limit_trip_and_end_run_singly() -> None:
    limit = {"name": "over", "watches": "ts", "above": "1 N m"}
    moves = [*rig()["sequence"], {"do": "hold", "time": "1 ms"}]
    cut = [describe(rig(sequence=[*moves, {"do": what}])) for what in ("trip", "end")]
    descriptions = [*[describe(rig(limit=[limit]))] * 2, *cut]
    outcomes = list(simulate_many(descriptions))
    assert_as_single(descriptions, outcomes, in_lanes=False)
    assert all(o.simulation is not None and o.simulation.events for o in outcomes)


def test_diverging_lane_is_reported_like_a_single_run_and_spoils_no_other() -> None:
    wild = [speed_loop("drive", 1e6, 0.0, clamp="1e18 N m"), rig()["loop"][1]]
    line = [servo("drive", 0.05, max_torque="1e18 N m", max_speed="1e17 rpm"), *rig()["line"][1:]]
    line[-1] = line[-1] | {"max_speed": "1e17 rpm"}
    calm = [wild[0] | {"kp": "5 N m s/rad"}, wild[1]]
    documents = [rig(duration="20 ms", line=line, loop=loops) for loops in (calm, wild, calm)]
    descriptions = [describe(document) for document in documents]
    outcomes = list(simulate_many(descriptions))
    with pytest.raises(SimulationError, match="the bench diverged at t = ") as single:
        simulate(descriptions[1])
    assert outcomes[1].simulation is None and outcomes[1].in_lanes
    assert str(outcomes[1].error) == str(single.value)
    good = [0, 2]
    assert_as_single([descriptions[i] for i in good], [outcomes[i] for i in good], in_lanes=True)


def test_failure_before_the_start_is_an_outcome() -> None:
    descriptions = [
        shipped("reference-bench", "duration=4000 s"),
        shipped("reference-bench", "duration=1 ms"),
    ]
    first, second = simulate_many(descriptions)
    assert first.simulation is None and "allowed: 20 s" in str(first.error) and not first.in_lanes
    assert second.simulation is not None


def test_width_and_threads_out_of_range() -> None:
    with pytest.raises(ValueError, match=f"width = 0 lanes is outside 1 to {LANES}"):
        simulate_many([], width=0)
    with pytest.raises(ValueError, match="threads = 0 is below 1"):
        simulate_many([], threads=0)
