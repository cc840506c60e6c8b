"""Checks between the supply of the DC link, its brake resistors and the steps that change the grid."""

import math

from shaftloop.scenario.description import Grid
from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.problems import Problems
from shaftloop_models.brake_resistor import BrakeResistor
from shaftloop_models.supply import SUPPLY, DcLink, TwoWay

__all__ = ["check_supply"]

_OTHERWISE = 'state [supply] kind = "rectifier" or "two_way", or leave this out'


def check_supply(draft: Draft, problems: Problems) -> None:
    """Add what does not fit the supply of a draft."""
    if "supply" not in draft.single:
        return  # It, or a key beside it, could not be read: what the link is stays unknown.
    link = draft.single["supply"].link()
    if isinstance(link, TwoWay):
        _check_keeper(draft, link, problems)
    for entry in draft.lists["brake_resistor"]:
        if link is None:
            problems.error(entry.path, f"the voltage of a stiff link never rises to its levels; {_OTHERWISE}")
        elif entry.value is not None:
            _check_levels(entry, entry.value, link, problems)
    for entry in draft.lists["sequence"]:
        if isinstance(entry.value, Grid) and link is None:
            problems.error(entry.path, f"a stiff link does not notice the grid; {_OTHERWISE}")


def _check_keeper(draft: Draft, supply: TwoWay, problems: Problems) -> None:
    """Check that a loop keeps the voltage of a two-way supply, and that nothing else has its name."""
    if not any(entry.text("acts_on") == SUPPLY for entry in draft.lists["loop"]):
        # A tenth of the rate of its measurement is a bandwidth that every lag of it leaves stable.
        rate = float(supply.sampling)
        width = min(0.01 * rate, 0.1 / (2.0 * math.pi * supply.time_constant))
        gain = 2.0 * math.pi * width * supply.capacitance * supply.voltage
        kp, ki = (float(f"{value:.2g}") for value in (gain, 0.5 * math.pi * width * gain))
        problems.error(
            ("supply", "kind"),
            f'no loop keeps the voltage; add [[loop]] with acts_on and reads = "{SUPPLY}", for a bandwidth '
            f'of {width:.2g} Hz: rate = "{rate:g} Hz", kp = "{kp:g} W/V", ki = "{ki:g} W/(V s)", '
            f'clamp = "{supply.power_limit:g} W"',
        )
    for entry in draft.named():
        if entry.name == SUPPLY:
            problems.error(entry.at("name"), f'"{SUPPLY}" is the supply of the link; choose another name')


def _check_levels(entry: Entry, resistor: BrakeResistor, link: DcLink, problems: Problems) -> None:
    """Add what is wrong between the levels of a resistor and the voltages of the link."""
    usual, most = link.nominal(), link.overvoltage
    if resistor.off_level <= usual:
        problems.error(
            entry.at("off_level"),
            f"{resistor.off_level:g} V is not above the {usual:.6g} V that the supply holds: the resistor "
            "would never go off; raise it",
        )
    if most is not None and resistor.on_level >= most:
        problems.error(
            entry.at("on_level"),
            f"{resistor.on_level:g} V is not below the overvoltage of {most:g} V: the inverters give up "
            "before the resistor is on; lower it",
        )
