"""Wrong words about a two-way supply and the loop that keeps its voltage."""

import pytest

from rigs import shipped
from shaftloop.errors import ScenarioError


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        (["supply.voltage=400 V"], "400 V is not above the crest of the line, 424.3 V"),
        (["supply.capacitance=0 F"], "out of range; allowed: above 0"),
        (["supply.quadratic_loss=1 1/kW"], "of the power would be lost; allowed: below half of it"),
        (["supply.price=0.3"], "0.3 has no unit"),
        (["loop.voltage.kp=3"], "kp of a loop that controls a voltage must be in W/V"),
        (["loop.voltage.clamp=15 N m"], "the unit N m does not fit; expected W"),
        (["loop.speed.clamp=15 kW"], "the unit kW does not fit; expected N m"),
        (["loop.voltage.reads=drive"], "a loop at the supply reads it and acts on it; write supply"),
        (["loop.voltage.acts_on=load"], "no loop keeps the voltage; add [[loop]] with acts_on and reads"),
        (["loop.voltage.setpoint_rate=3 N m/s"], "not for a loop that keeps the voltage of the link"),
        (["sequence.1.loop=voltage"], "voltage keeps supply.voltage and takes no set-point"),
        (["line.c1.name=supply"], '"supply" is the supply of the link; choose another name'),
        (["supply.latency=2 s"], "values wait; allowed: at most 10000"),
        (["supply.precharge_until=450 V", "supply.precharge_resistance=9 ohm"], "450 V is never reached"),
    ],
)
def test_a_wrong_key_is_told_with_its_remedy(settings: list[str], said: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        shipped("two-way-hub", *settings)
    assert said in "\n".join(caught.value.messages)


def test_a_supply_that_feeds_only_keeps_no_voltage() -> None:
    settings = [
        "loop.speed.acts_on=supply",
        "loop.speed.reads=supply",
    ]
    with pytest.raises(ScenarioError) as caught:
        shipped("rectifier-hub", *settings)
    assert 'a supply of kind "rectifier" keeps no voltage' in "\n".join(caught.value.messages)
