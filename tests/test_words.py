"""People read words, documents keep paths."""

import pytest

from shaftloop.words import value_words


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("loop.torque.kp", "kp of torque"),
        ("line.ts.filter.cutoff", "filter cutoff of ts"),
        ("line.ts", "part ts"),
        ("hop.bus.period", "period of bus"),
        ("sequence.2.torque", "torque of step 2 of the sequence"),
        ("supply.voltage", "voltage of the supply"),
        ("duration", "duration"),
    ],
)
def test_values_of_a_scenario_have_words(path: str, words: str) -> None:
    assert value_words(path) == words
