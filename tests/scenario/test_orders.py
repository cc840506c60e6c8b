"""The key `orders`: a list of numbers at the top of a scenario."""

from pathlib import Path

import pytest

from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import read_scenario


def test_orders_are_read_as_numbers() -> None:
    assert read_scenario("reference-bench", ["orders=[1, 2, 24.5]"]).description.orders == (1.0, 2.0, 24.5)
    assert read_scenario("reference-bench").description.orders == ()


@pytest.mark.parametrize(
    ("orders", "message"),
    [
        ("[1, 0]", "0 is out of range; allowed: above 0 and at most 1000"),
        ("[1001]", "1001 is out of range; allowed: above 0 and at most 1000"),
        ("[nan]", "nan is no finite number"),
        ('["24"]', '"24" is no number'),
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


def _reference() -> str:
    from shaftloop.scenario.shipped import shipped_folder

    return (shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8")
