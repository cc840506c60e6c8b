"""Quantities on a command line."""

import math

import click
import pytest
from click.testing import CliRunner

from shaftloop.cli.main import cli
from shaftloop.cli.quantities import QuantityType
from shaftloop.errors import ScenarioError


def read(kind: QuantityType, text: str) -> float:
    return kind.convert(text, click.Option(["--speed"]), None)


def test_a_quantity_is_read_in_its_si_unit() -> None:
    assert read(QuantityType("rad/s", "1500 rpm"), "1500 rpm") == pytest.approx(50.0 * math.pi)
    assert read(QuantityType("s", "12 ms"), "-0.5 s") == -0.5
    assert read(QuantityType("1", "2 %"), "0.5 %") == 0.005


@pytest.mark.parametrize(
    ("kind", "text", "says"),
    [
        (QuantityType("rad/s", "1500 rpm"), "1500", r'`speed`: "1500": .*missing.*, e\.g\. "1500 rpm"$'),
        (QuantityType("s", "12 ms"), "12 N m", r'"12 N m": the unit N m does not fit.*e\.g\. "12 ms"$'),
        (QuantityType("Hz", "9 Hz", above_zero=True), "0 Hz", r'"0 Hz": must be above 0, e\.g\. "9 Hz"$'),
        (QuantityType("Hz", "9 Hz", above_zero=True), "nan Hz", "nan Hz"),
    ],
)
def test_what_is_none_says_what_is_due(kind: QuantityType, text: str, says: str) -> None:
    with pytest.raises(ScenarioError, match=says):
        read(kind, text)


def test_the_help_of_tune_is_in_groups_and_leaves_nothing_out() -> None:
    text = CliRunner().invoke(cli, ["tune", "-h"]).stdout.split(" is given.", 1)[1]
    for option in cli.commands["tune"].params:
        assert not isinstance(option, click.Option) or text.count(f"\n  {option.opts[0]} ") == 1
    assert text.index("What is tuned:") < text.index("--ms") < text.index("What is written:")
