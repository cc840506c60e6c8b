"""The smallest capacitor and the largest brake resistor, found by runs, against closed forms."""

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from rigs import (
    RECTIFIER,
    Table,
    coupling,
    describe,
    disc,
    fed_bench,
    hold,
    ramp,
    servo,
    shipped,
    speed_loop,
    step,
)
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.cli.main import cli
from shaftloop.scenario.description import Description
from shaftloop.studies.linksizing import FINE, LinkSize, size_link

pytestmark = pytest.mark.compiled

UP = [ramp("1500 rpm", "0.3 s"), step("torque", "80 N m"), hold("0.3 s")]
VOLTS = math.pi / 3.0 / math.sqrt(2.0)
"""Of the line for each volt of a link without load."""


def with_capacitance(description: Description, value: float) -> Simulation:
    supply: Any = description.supply
    return simulate(replace(description, supply=replace(supply, capacitance=value)))


def only(description: Description, key: str) -> tuple[LinkSize, float]:
    """Return what was found for a key and its value, and check its neighbour."""
    (found,) = [entry for entry in size_link(description) if entry.key == key]
    assert found.figure.value is not None and found.worse is not None
    assert abs(math.log(found.worse / found.figure.value)) <= FINE
    return found, found.figure.value


def test_the_smallest_capacitor_rides_through_a_lost_grid() -> None:
    """C = 2·P·t/(V1² − V2²), where machines draw constant power for 0.15 s without a grid."""
    moves = [*UP, {"do": "grid", "to": 0}, hold("0.15 s"), {"do": "grid", "to": 1}, hold("0.05 s")]
    description = fed_bench({**RECTIFIER, "undervoltage": "400 V", "source_inductance": "0.1 mH"}, moves)
    found, least = only(description, "supply.capacitance")
    run = with_capacitance(description, least)
    first, last = (int(np.searchsorted(run.time, time)) for time in (0.6, 0.75))
    energy = run.traces["drive_energy"] + run.traces["load_energy"]
    drawn = energy[last] - energy[first]
    expected = 2.0 * drawn / (run.traces["link_voltage"][first] ** 2 - 400.0**2)
    assert least == pytest.approx(expected, rel=5e-3)
    assert run.peaks["link.voltage"][0] >= 400.0
    assert with_capacitance(description, found.worse or 0.0).peaks["link.voltage"][0] < 400.0
    assert found.why.endswith("below its undervoltage of 400 V")


def wheel(supply: Table, *, inertia: float, to: str, over: str, **more: Any) -> Description:
    """Return a machine with a flywheel that is stopped; 85 % of its energy come back."""
    limits = {"max_speed": "4000 rpm", "max_torque": "2 kN m", "efficiency": 0.85}
    line = [servo("drive", inertia, **limits), coupling("c", 1e6, damping="5 N m s/rad"), disc("end", 1e-6)]
    loop = speed_loop("drive", 250.0 * inertia, 5e3 * inertia, clamp="2 kN m")
    moves = [ramp(to, "0.3 s"), hold("0.2 s"), ramp("0 rpm", over), hold("0.05 s")]
    return describe({"line": line, "loop": [loop], "sequence": moves, "supply": supply, **more})


def test_the_smallest_capacitor_takes_what_a_flywheel_gives_back() -> None:
    """Check E10.5 b turned round: 4.7 mF take 85 % of 986.96 J from 565 to 822.3 V."""
    keys = {"line_voltage": f"{565.0 * VOLTS} V", "source_inductance": "0.05 mH", "overvoltage": "822.3 V"}
    description = wheel(RECTIFIER | keys | {"capacitance": "1 mF"}, inertia=0.02, to="3000 rpm", over="0.2 s")
    found, least = only(description, "supply.capacitance")
    assert found.stated == 1e-3 and found.why.endswith("above its overvoltage of 822.3 V")
    run = with_capacitance(description, least)
    before = float(run.traces["link_voltage"][np.searchsorted(run.time, 0.5 - 1e-9)])
    # The current of the choke charges it a little on its way up.
    assert 565.0 < before < 575.0
    assert least == pytest.approx(4.7e-3 * (822.3**2 - 565.0**2) / (822.3**2 - before**2), rel=3e-3)


def test_the_largest_resistor_holds_what_a_flywheel_gives_back() -> None:
    """From its on level on, ½·C·(V²)' = P(t) − V²/R may just reach 1.03 times it."""
    brake = {"name": "brake", "resistance": "5 ohm", "on_level": "700 V", "off_level": "680 V"}
    description = wheel(RECTIFIER, inertia=0.4, to="1500 rpm", over="0.5 s", brake_resistor=[brake])
    found, largest = only(description, "brake_resistor.brake.resistance")
    run = simulate(description)
    fed = -run.traces["drive_energy"]
    begin = int(np.flatnonzero(run.traces["brake_power"])[0])
    times, powers = run.time[begin:], np.gradient(fed, run.time)[begin:]

    def highest(resistance: float) -> float:
        def rise(t: float, square: Any) -> Any:
            return 2.0 * (np.interp(t, times, powers) - square / resistance) / 2e-3

        span = (times[0], times[-1])
        return math.sqrt(np.max(solve_ivp(rise, span, [700.0**2], rtol=1e-8, max_step=1e-3).y))

    # The resistor looks at ticks of 0.1 ms only, in which the link rises by 4 V.
    assert largest == pytest.approx(brentq(lambda r: highest(r) - 721.0, 5.0, 100.0, rtol=1e-4), rel=0.01)
    # V²/R against 85 % of inertia times rate times speed at the start of the ramp, which the loop overshoots.
    assert largest == pytest.approx(721.0**2 / (0.85 * 0.4 * 157.08**2 / 0.5), rel=0.1)
    for value, holds in ((largest, True), (found.worse or 0.0, False)):
        part = replace(description.brake_resistor[0], resistance=value)
        run = simulate(replace(description, brake_resistor=(part,)))
        assert (run.bench.link.findings(run.peaks) == []) is holds
    assert found.why.endswith("above 1.03 times the on level of brake")


def test_where_there_is_no_bound_it_says_why() -> None:
    assert size_link(shipped("reference-bench")) == ()
    empty = {"initial_voltage": "0 V", "precharge_resistance": "20 ohm"}
    brake = {"name": "brake", "resistance": "20 ohm", "on_level": "900 V", "off_level": "880 V"}
    capacitor, resistor = size_link(fed_bench(RECTIFIER | empty, [hold("0.3 s")], brake_resistor=[brake]))
    assert "the link starts below its undervoltage" in capacitor.figure.reason and capacitor.runs == 0
    assert resistor.figure.reason == "the link keeps its bounds even with 2.05e+04 ohm"
    lost = [*UP, {"do": "grid", "to": 0}, hold("30 ms")]
    tight = {**RECTIFIER, "undervoltage": "536 V", "overvoltage": "2 kV", "capacitance": "1 nF"}
    (found,) = size_link(fed_bench(tight, lost))
    assert found.figure.value is None and found.figure.reason.startswith("not even 1.02e-06 F keeps")


def test_size_says_what_the_link_needs(tmp_path: Any) -> None:
    arguments = ["size", "rectifier-hub", "--no-faults", "--out", str(tmp_path)]
    told = CliRunner().invoke(cli, arguments)
    assert told.exit_code == 0 and "The DC link, by runs of the sequence" in told.output
    document = json.loads((tmp_path / "size.json").read_text())
    entry = next(entry for entry in document["link"] if entry["key"] == "brake_resistor.brake.resistance")
    assert entry["bound"]["value"] == document["figures"]["brake.largest_resistance"]["value"]
    assert entry["stated"] == {"value": 15.0, "unit": "ohm"} and entry["bound"]["value"] > 15.0
    assert "on level of brake" in entry["why"] and entry["runs"] > 5


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        ("supply.capacitance='0.5 mF'", "supply.capacitance is 500 µF and would do from 69"),
        (
            "brake_resistor.brake.resistance='200 ohm'",
            "brake_resistor.brake.resistance is 200 ohm and would do up to 59.",
        ),
        ("brake_resistor.brake.pulse_energy='0.2 kJ'", "brake does not stand what the sequence asks of the"),
    ],
)
def test_what_is_too_small_or_too_large_is_named_first_and_exits_with_1(setting: str, said: str) -> None:
    found = CliRunner().invoke(cli, ["size", "grid-loss-braked", "--no-faults", "--json", "--set", setting])
    answer = json.loads(found.stdout)["answer"]
    assert found.exit_code == 1 and said in answer[0], answer
    assert "No part file" not in " ".join(answer)
    if "pulse_energy" in setting:
        assert "brake resistor brake with 236 J of a limit of 200 J" in answer[0]
        assert answer[1] == "Take a resistor brake of more brake_resistor.brake.pulse_energy."
