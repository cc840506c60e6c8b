"""A bench whose machine warms up, for the tests of heat: a PM machine held at a speed by a stiff drive."""

from typing import Any

from rigs import Table, describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.scenario.description import Description

TORQUE_CONSTANT = 0.9
"""Of the machine: torque per ampere [N m/A]."""
RESISTANCE = 0.06
"""[ohm]"""
PLAIN: Table = {
    "winding_capacity": "40 J/K",
    "winding_resistance": "0.2 K/W",
    "housing_capacity": "200 J/K",
    "housing_resistance": "0.3 K/W",
}
"""Time constants of some 8 s and 60 s."""


def machine(heat: Table | None = None, **keys: Any) -> Table:
    """Return a PM machine without iron loss and drag, 100 N m at 111 A."""
    plain: Table = {
        "part": "machine",
        "model": "pm_synchronous",
        "name": "m",
        "inertia": "0.05 kg m^2",
        "pole_pairs": 5,
        "resistance": f"{RESISTANCE} ohm",
        "inductance_d": "0.4 mH",
        "inductance_q": "0.4 mH",
        "flux_linkage": f"{TORQUE_CONSTANT / 7.5} Wb",
        "current_limit": "250 A",
        "max_speed": "2000 rpm",
        "current_control": {"rate": "2 kHz", "bandwidth": "100 Hz"},
    }
    return plain | ({} if heat is None else {"heat": PLAIN | heat}) | keys


def document(heat: Table | None, moves: list[Table], **keys: Any) -> Table:
    """Return the bench: speed held at 50 rad/s, the torque of the machine as its set-point says.

    Its torque loop passes the set-point on without feedback, so that commands are air-gap torques as long as
    the flux is the stated one.
    """
    slow = {"rate": "1 kHz"}
    line = [
        machine(heat, **keys),
        sensor("ts", 2e5, damping="20 N m s/rad", sampling="1 kHz"),
        servo("d", 5.0, time_constant="2 ms", rate="1 kHz"),
    ]
    loops = [speed_loop("d", 200.0, 2000.0, **slow), torque_loop("m", "ts", **slow)]
    rest: Table = {"supply": {"voltage": "800 V"}, "record": {"rate": "100 Hz"}}
    return {"line": line, "loop": loops, "sequence": [step("speed", "50 rad/s"), *moves], **rest}


def bench(heat: Table | None, moves: list[Table], *settings: str, **keys: Any) -> Description:
    """Return the description of such a bench."""
    return describe(document(heat, moves, **keys), *settings)


def hold(seconds: float) -> Table:
    """Return a hold."""
    return {"do": "hold", "time": f"{seconds:.6g} s"}


def loss(torque: float) -> float:
    """Return the copper loss at a torque, as stated [W]."""
    return 1.5 * RESISTANCE * (torque / TORQUE_CONSTANT) ** 2
