"""What a scenario may say of its supply, and what is wrong with it in words."""

import pytest

from rigs import RECTIFIER, fed_bench, hold, step
from shaftloop.errors import ScenarioError
from shaftloop_models.supply import Stiff

BRAKE = {"name": "brake", "resistance": "20 ohm", "on_level": "700 V", "off_level": "680 V"}
MOVES = [step("torque", "10 N m"), hold("10 ms")]


def refused(supply, resistors=(), moves=MOVES) -> str:
    """Return what is wrong with a bench."""
    with pytest.raises(ScenarioError) as caught:
        fed_bench(supply, moves, brake_resistor=list(resistors))
    return str(caught.value)


def test_a_supply_is_stiff_where_nothing_else_is_said() -> None:
    assert fed_bench({}, MOVES).supply == fed_bench({"kind": "stiff"}, MOVES).supply == Stiff()
    assert fed_bench({"voltage": "560 V"}, MOVES).supply.nominal() == 560.0


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"kind": "rectifer"}, '"rectifer" is not one of: stiff, rectifier'),
        ({"capacitance": "0 F"}, 'supply.capacitance: "0 F" is out of range; allowed: above 0'),
        ({"capacitance": "2 mA"}, "supply.capacitance"),
        ({"voltage": "560 V"}, "supply.voltage: unknown key"),
        (
            {"undervoltage": "600 V"},
            "supply.undervoltage: 600 V is not below the 540.19 V of the link; lower it",
        ),
        (
            {"overvoltage": "500 V"},
            "supply.overvoltage: 500 V is not above the 540.19 V of the link; raise it",
        ),
        ({"precharge_until": "500 V"}, "supply.precharge_until: there is no precharge_resistance to bridge"),
        (
            {"precharge_until": "560 V", "precharge_resistance": "50 ohm"},
            "supply.precharge_until: 560 V is never reached: the line charges to 540.19 V",
        ),
        ({"price": 0.3}, '0.3 has no unit; write it in quotes with one, e.g. "0.3 EUR/kWh"'),
        ({"price": "0.3"}, "the unit is missing; expected EUR"),
        ({"price": "0.3 EUR/m"}, "supply.price"),
    ],
)
def test_what_is_wrong_with_a_supply(keys, words) -> None:
    assert words in refused(RECTIFIER | keys)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"on_level": "670 V"}, "on_level: 670 V is not above the off_level of 680 V; raise it"),
        ({"off_level": "530 V"}, "off_level: 530 V is not above the 540.19 V that the supply holds"),
        (
            {"continuous_power": "1 kW"},
            "time_constant: missing: continuous_power and time_constant go together",
        ),
        ({"time_constant": "1 s"}, "continuous_power: missing"),
        ({"name": "drive"}, '"drive" is the name of line.0 already'),
    ],
)
def test_what_is_wrong_with_a_resistor(keys, words) -> None:
    assert words in refused(RECTIFIER, [BRAKE | keys])


def test_what_only_a_link_with_a_voltage_of_its_own_can_have() -> None:
    assert (
        "brake_resistor.brake: the voltage of a stiff link never rises to its levels; state [supply]"
        in refused({}, [BRAKE])
    )
    assert "a stiff link does not notice the grid" in refused({}, moves=[{"do": "grid", "to": 0}, *MOVES])
    over = RECTIFIER | {"overvoltage": "690 V"}
    assert "on_level: 700 V is not below the overvoltage of 690 V" in refused(over, [BRAKE])


@pytest.mark.parametrize(
    ("supply", "resistor"),
    [({"undervoltage": "450"}, {}), ({"undervoltage": "600 V"}, {}), ({}, {"on_level": "700"})],
)
def test_a_bad_value_draws_one_error(supply, resistor) -> None:
    found = refused(RECTIFIER | supply, [BRAKE | resistor], [{"do": "grid", "to": 0}, *MOVES])
    assert "stiff link" not in found and len(found.strip().splitlines()) == 1, found


def test_a_price_makes_a_bill_in_its_currency() -> None:
    from shaftloop.analysis.metrics import metrics
    from shaftloop.analysis.simulation import simulate

    run = simulate(fed_bench(RECTIFIER | {"price": "0.36 USD/kWh"}, MOVES))
    bill = metrics(run)["energy_bill"]
    assert bill.unit == "USD" and bill.value == pytest.approx(1e-7 * run.energies.grid)
    assert "energy_bill" not in metrics(simulate(fed_bench({}, MOVES)))
