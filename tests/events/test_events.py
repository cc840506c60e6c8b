"""A share of the random events; the rest by hand with ``random_events.py``."""

from dataclasses import replace

import pytest
from plans import draw
from replaying import Log, judge
from trying import tried

SHARE = 60
"""Plans of 10,000."""


@pytest.mark.parametrize("first", range(0, SHARE, 20))
def test_interlocks_fire_where_records_say_so_and_nowhere_else(first: int) -> None:
    outcomes = [tried(seed) for seed in range(first, first + 20)]
    assert [outcome.wrong for outcome in outcomes if outcome.wrong] == []
    assert sum(outcome.refused for outcome in outcomes) < 3
    assert sum(outcome.events for outcome in outcomes) > 30
    assert sum(outcome.undecided for outcome in outcomes) < 6


LIMIT = {"name": "l0", "watches": "load", "quantity": "speed", "above": 3.0, "debounce": 0, "reaction": 0}


def _log(*events: tuple[int, str, str]) -> Log:
    """Return ten milliseconds in which the speed of the load rises from 0 to 10 rad/s."""
    ramp = [0.005 * k for k in range(2001)]
    return Log(
        list(events),
        {"load_speed": ramp, "drive_torque": [0.0] * 2001, "load_torque": [0.0] * 2001},
        10_000_000,
    )


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
