"""A share of the random events; the rest by hand with ``random_events.py``."""

from dataclasses import replace

import pytest
from logs import Log
from plans import RECORD, draw
from replaying import judge
from trying import tried

from rigs import describe
from shaftloop.analysis.simulation import simulate

SHARE = 60
"""Plans of 10,000."""


@pytest.mark.parametrize("first", range(0, SHARE, 20))
def test_interlocks_fire_where_records_say_so_and_nowhere_else(first: int) -> None:
    outcomes = [tried(seed) for seed in range(first, first + 20)]
    assert [outcome.wrong for outcome in outcomes if outcome.wrong] == []
    assert sum(outcome.refused for outcome in outcomes) < 3
    assert sum(outcome.events for outcome in outcomes) > 30
    assert sum(outcome.undecided for outcome in outcomes) < 8


@pytest.mark.parametrize("seed", [273, 939, 1786])
def test_energy_of_a_live_link_closes_where_diodes_block_or_conduct_within_a_step(seed: int) -> None:
    """Its current fades in the first one, begins within a step in the others; at the default step."""
    assert simulate(describe(draw(seed).document)).energies.residual < 1e-6


LIMIT = {"name": "l0", "watches": "load", "quantity": "speed", "above": 3.0, "debounce": 0, "reaction": 0}


def _log(*events: tuple[int, str, str]) -> Log:
    """Return ten milliseconds in which the speed of the load rises from 0 to 10 rad/s."""
    ramp = [0.005 * k for k in range(2001)]
    still = ("drive_torque", "load_torque", "true_torque", "reading")
    return Log(list(events), {"load_speed": ramp, **dict.fromkeys(still, [0.0] * 2001)}, 10_000_000)


RIGHT = [(3_000_000, kind, "l0") for kind in ("exceeded", "tripped", "torque_off")]


@pytest.mark.parametrize(
    ("events", "wrong"),
    [
        (RIGHT, 0),
        ([], 1),
        ([(tick + 10, kind, name) for tick, kind, name in RIGHT], 1),
        (RIGHT[:2], 1),
        ([(1_000_000, "exceeded", "l0"), (1_000_001, "cleared", "l0"), *RIGHT], 1),
    ],
)
def test_the_judge_sees_what_is_late_missing_or_too_much(
    events: list[tuple[int, str, str]], wrong: int
) -> None:
    plan = replace(draw(0), sequence=[], limits=[{**LIMIT, "action": "torque_off"}], faults=[], three=False)
    found = judge(replace(plan, wound=False), _log(*events))
    assert (len(found.wrong) > 0, found.undecided) == (bool(wrong), 0), found


@pytest.mark.parametrize(("late", "wrong"), [(0, 0), (100_000, 1), (-100_000, 1)])
def test_the_judge_sees_a_frame_that_is_read_at_another_tick(late: int, wrong: int) -> None:
    """Frames of every half millisecond, there 0.1 ms later; a record shows what was left 5 us before."""
    plan = replace(draw(0), sequence=[], limits=[], faults=[], three=False, wound=False)
    plan.bus = {"carries": "ts", "period": 500_000, "phase": 0, "transport": 100_000}
    ticks = range(0, 10_000_000, 5_000)
    taken = [max((tick - 100_000 - late) // 500_000, 0) * 500_000 for tick in ticks]
    ages = [0.0, *((tick - begin) / 1e9 for tick, begin in zip(ticks, taken, strict=True))]
    values = [0.0, *(1.0 if tick >= 100_000 + late else 0.0 for tick in ticks)]
    traces = {"bus.age": ages, "bus.value": values, "reading": [1.0] * 2001}
    still = dict.fromkeys(("drive_torque", "load_torque"), [0.0] * 2001) | {"true_torque": [1.0] * 2001}
    found = judge(plan, Log([], traces | still, 10_000_000))
    assert (len(found.wrong), found.undecided) == (wrong, 0), found


@pytest.mark.parametrize(("slope", "wrong"), [(1.0, 0), (1.1, 1)])
def test_the_judge_sees_a_reading_that_drifts_wrongly(slope: float, wrong: int) -> None:
    fault = {"name": "f0", "on": "ts", "kind": "drifting", "at": 4_000_000, "rate": 2000.0}
    plan = replace(draw(0), sequence=[], limits=[], faults=[fault], wound=False, bus={}, latency=1)
    log = _log((4_000_000, "failed", "f0"))
    ticks = (max((RECORD * (k - 1) // 100_000 - 1) * 100_000 - 4_000_000, 0) for k in range(2001))
    log.traces["reading"] = [2e-6 * slope * tick for tick in ticks]
    found = judge(plan, log)
    assert (len(found.wrong), found.undecided) == (wrong, 0), found


@pytest.mark.parametrize(("band", "due"), [((-1.0, 3.0), True), ((1.0017, 3.0), True), ((-2.0, 11.0), False)])
def test_the_judge_knows_a_band(band: tuple[float, float], due: bool) -> None:
    """One in which the signal starts, one that it enters first, one that it never leaves."""
    limit = {key: value for key, value in LIMIT.items() if key != "above"} | {"outside": band}
    plan = replace(draw(0), sequence=[], limits=[{**limit, "action": "torque_off"}], faults=[], bus={})
    plan = replace(plan, wound=False)
    assert judge(plan, _log(*(RIGHT if due else []))).wrong == []
    assert len(judge(plan, _log(*([] if due else RIGHT))).wrong) > 0


@pytest.mark.parametrize(("end", "undecided"), [(3_000_000, 1), (3_000_010, 0)])
def test_the_judge_leaves_open_what_happens_at_the_very_end(end: int, undecided: int) -> None:
    plan = replace(draw(0), sequence=[], limits=[{**LIMIT, "action": "torque_off"}], faults=[], bus={})
    found = judge(replace(plan, wound=False), replace(_log(*(RIGHT if not undecided else [])), end=end))
    assert (found.wrong, found.undecided) == ([], undecided)
