"""The key `orders`: a list of numbers at the top of a scenario."""

from pathlib import Path

import pytest

from shaftloop.analysis.interference import excitations
from shaftloop.answers.show import find_bench
from shaftloop.errors import ScenarioError
from shaftloop.scenario.ratios import read_order
from shaftloop.scenario.reading import read_scenario
from shaftloop_models.gear import Gear


def test_orders_are_read_as_numbers() -> None:
    assert read_scenario("reference-bench", ["orders=[1, 2, 24.5]"]).description.orders == (
        (1.0, ""),
        (2.0, ""),
        (24.5, ""),
    )
    assert read_scenario("reference-bench").description.orders == ()


@pytest.mark.parametrize(
    ("orders", "message"),
    [
        ("[1, 0]", "0 is out of range; allowed: above 0 and at most 1000"),
        ("[1001]", "1001 is out of range; allowed: above 0 and at most 1000"),
        ("[nan]", "nan is no finite number"),
        ('["24 1"]', '"24 1" is no ratio of whole numbers; write e.g. 6, 1.5 or "37/11"'),
        ('["3/0"]', '"3/0" is no ratio of whole numbers'),
        ('["3 of "]', '"3 of " names no part behind "of"; write e.g. "3/2 of load"'),
        ("[inf]", "inf is no finite number"),
        ("[true]", "True is no ratio of whole numbers"),
        ("24", "a number where a list of at most 100 numbers is due"),
        ('"24"', "a text where a list of at most 100 numbers is due"),
        (str(list(range(1, 102))), "101 numbers where a list of at most 100 numbers is due"),
    ],
)
def test_bad_orders_are_refused(tmp_path: Path, orders: str, message: str) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(f"orders = {orders}\n" + _reference(), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        read_scenario(path)
    assert f"bench.toml:1: orders: {message}" in str(caught.value)


@pytest.mark.parametrize(
    ("bench", "orders", "message"),
    [
        (
            "reference-bench",
            "['3 of lode']",
            '"lode" is no part of the line, so that the order has no shaft; nearest: load',
        ),
        ("geared-reversal", "[24]", "24 per turn of which shaft? This line has several ("),
        ("geared-reversal", "['37/11']", 'name a part of one, e.g. "37/11 of drive"'),
    ],
)
def test_an_order_without_a_shaft_is_refused(bench: str, orders: str, message: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        read_scenario(bench, [f"orders={orders}"])
    assert message in str(caught.value)


def test_an_order_of_a_shaft_counts_its_turns() -> None:
    """Three halves per turn of the slow shaft, as the leftmost body counts."""
    description = read_scenario("geared-reversal", ["orders=['3/2 of load']"]).description
    (ratio,) = (part.ratio for part in description.line if isinstance(part, Gear))
    (found,) = (entry for entry in excitations(description) if "as stated" in entry.source)
    assert found.order == pytest.approx(1.5 / ratio)
    assert found.source == "as stated, of the shaft of load"


def test_show_says_orders_as_they_would_be_written() -> None:
    orders = "line.drive.cogging=[{ order = '37/11', amplitude = '1 mN m' }]"
    found = find_bench(read_scenario("geared-reversal", ["orders=['37/11 of load']", orders]))
    said = {entry.path: entry.value for entry in found.values}
    assert said["line.drive.cogging.0.order"] == "37/11"
    assert said["orders"] == ["37/11 of load"]
    assert read_order("37/11 of load") == (37 / 11, "load")


def _reference() -> str:
    from shaftloop.scenario.shipped import shipped_folder

    return (shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8")
