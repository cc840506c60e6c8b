"""Random small benches on which things fail, trip and stop: the document, and the same as plain numbers.

All times are whole nanoseconds, many of them equal, so that events fall on one tick.
"""

import random
from dataclasses import dataclass, field
from typing import Any

from rigs import RECTIFIER, coupling, disc, sensor, servo, speed_loop, torque_loop

__all__ = ["MS", "RECORD", "Plan", "draw"]

Table = dict[str, Any]

MS = 1_000_000
"""Nanoseconds per millisecond."""
RECORD = 5_000
"""Between dense records. [ns]"""
SAMPLE = 100_000
"""Period of sensor, loops and servo machines. [ns]"""
PM_PERIOD = 125_000
"""Period of the current control. [ns]"""
LAG = 1e-3
"""Of a servo machine. [s]"""
RANGE = 60.0
"""Of the torque sensor. [N m]"""

_PM = {
    "part": "machine",
    "model": "pm_synchronous",
    "name": "load",
    "inertia": "0.04 kg m^2",
    "pole_pairs": 4,
    "resistance": "0.2 ohm",
    "inductance_d": "1.2 mH",
    "inductance_q": "1.8 mH",
    "flux_linkage": "0.12 Wb",
    "current_limit": "120 A",
    "max_speed": "3000 rpm",
    "current_control": {"rate": "8 kHz", "bandwidth": "400 Hz"},
}
_BRAKE = {"name": "brake", "resistance": "40 ohm", "on_level": "620 V", "off_level": "600 V"}


@dataclass
class Plan:
    """A bench and what is to happen, in plain numbers: times in ns, everything else in SI units."""

    seed: int
    document: Table
    three: bool
    wound: bool
    live: bool
    end: int
    sequence: list[Table] = field(default_factory=list)
    limits: list[Table] = field(default_factory=list)
    faults: list[Table] = field(default_factory=list)
    bus: Table = field(default_factory=dict)
    """A hop, in many plans none."""
    latency: int = 0
    """Of the torque sensor. [samples]"""


def draw(seed: int) -> Plan:
    """Return the plan of a number; it decides everything."""
    rng = random.Random(seed)
    three, wound, live = rng.random() < 0.5, rng.random() < 0.35, rng.random() < 0.3
    end = rng.randrange(8, 25) * MS
    plan = Plan(seed, {}, three, wound, live, end, latency=rng.choice((0, 0, 1)))
    plan.sequence = _sequence(rng, plan)
    plan.limits = [_limit(rng, plan, number) for number in range(rng.choice((0, 1, 1, 2, 3)))]
    plan.faults = _faults(rng, plan)
    _add_bus(random.Random(f"bus {seed}"), plan)
    plan.document = _document(rng, plan)
    return plan


def _time(rng: random.Random, most: int) -> int:
    """Return a time: often a whole number of milliseconds, of periods, else any [ns]."""
    step = rng.choice((MS, MS, SAMPLE, 1))
    return rng.randrange(0, most // step + 1) * step


def _sequence(rng: random.Random, plan: Plan) -> list[Table]:
    moves: list[Table] = [
        {"do": "step", "loop": "torque", "to": rng.choice((-1.0, 1.0)) * rng.uniform(15.0, 50.0)},
        {"do": "step", "loop": "speed", "to": rng.choice((-1.0, 1.0)) * rng.uniform(10.0, 40.0)},
    ]
    rng.shuffle(moves)
    for _ in range(rng.randrange(2, 7)):
        do = rng.choice(("torque", "torque", "speed", "speed", "ramp", "hold", "hold", "hold", "rare"))
        if do in ("torque", "speed"):
            to = rng.uniform(-50.0, 50.0) if do == "torque" else rng.uniform(-40.0, 40.0)
            moves.append({"do": "step", "loop": do, "to": to})
        elif do == "ramp":
            over, to = _time(rng, 5 * MS) or MS, rng.uniform(-50.0, 50.0)
            moves.append({"do": "ramp", "loop": "torque", "to": to, "over": over, "wait": rng.random() < 0.5})
        elif do == "hold":
            moves.append({"do": "hold", "time": _time(rng, 6 * MS) or MS})
        else:
            moves.append(_rare(rng, plan))
    return moves


def _rare(rng: random.Random, plan: Plan) -> Table:
    kinds = ["trip", "ramp_down", "stop_0", "stop_1", "settle", *(["grid", "grid"] if plan.live else ["end"])]
    kind = rng.choice(kinds)
    if kind == "trip":
        return {"do": "trip"}
    if kind == "ramp_down":
        return {"do": "trip", "action": "ramp_down", "ramp_time": _time(rng, 4 * MS) or MS}
    if kind == "stop_0":
        return {"do": "emergency_stop"}
    if kind == "stop_1":
        return {"do": "emergency_stop", "category": 1, "over": _time(rng, 4 * MS) or MS}
    if kind == "grid":
        return {"do": "grid", "to": rng.choice((0.0, 0.0, 0.7, 1.0))}
    if kind == "settle":
        dwell = _time(rng, MS) or SAMPLE
        return {
            "do": "settle",
            "loop": "torque",
            "within": rng.uniform(0.5, 20.0),
            "dwell": dwell,
            "timeout": dwell + (_time(rng, 6 * MS) or MS),
        }
    return {"do": "end"}


def _condition(rng: random.Random, plan: Plan) -> Table:
    """Return what is watched, how, and the level."""
    choices = [
        ("ts", "reading", 30.0),
        ("ts", "true_torque", 30.0),
        ("ts", "true_torque", 30.0),
        ("drive", "speed", 8.0),
        ("load", "speed", 8.0),
        ("load", "reading", 8.0),
        ("c" if plan.three else "ts", "speed_difference", 2.0 if plan.three else 0.2),
    ]
    choices += [("load", "current", 40.0)] if plan.wound else []
    choices += [("supply", "voltage", 560.0)] * 3 if plan.live else []
    watches, quantity, size = rng.choice(choices)
    key = rng.choice(("above", "above", "above", "below", "outside"))
    if (watches, quantity) == ("ts", "reading") and rng.random() < 0.3:
        key = "jump"
    level = rng.uniform(0.9, 1.1) * size if quantity == "voltage" else rng.uniform(0.1, 1.2) * size
    level *= 0.3 if key == "jump" else 1.0
    debounce = rng.choice((0, 0, 0, _time(rng, MS)))
    found = {"watches": watches, "quantity": quantity, "debounce": debounce}
    if key != "outside":
        return found | {key: level}
    low = level - rng.uniform(0.05, 0.2) * size if quantity == "voltage" else rng.uniform(-0.8, 0.8) * level
    return found | {key: (low, level)}


def _limit(rng: random.Random, plan: Plan, number: int) -> Table:
    actions = ["torque_off", "torque_off", "ramp_down"]
    actions += ["short", "pulses_off"] if plan.wound else []
    actions += ["resistor_on", "contactor_open"] if plan.live else []
    action = rng.choice(actions)
    more = {"ramp_time": _time(rng, 5 * MS) or MS} if action == "ramp_down" else {}
    reaction = rng.choice((0, 0, _time(rng, 3 * MS)))
    return {
        "name": f"l{number}",
        **_condition(rng, plan),
        "reaction": reaction,
        "action": action,
        **more,
    }


def _faults(rng: random.Random, plan: Plan) -> list[Table]:
    choices = [("ts", "broken"), ("drive", "blocked"), ("load", "blocked"), ("drive", "torque_off")]
    choices += [("load", "torque_off"), ("drive", "command_stuck"), ("load", "command_stuck")]
    choices += [("ts", "stuck"), ("ts", "zero"), ("ts", "full_scale"), ("ts", "shifted")]
    choices += [("speed", "stalled"), ("torque", "stalled"), ("ts", "drifting")]
    choices += [("c", "broken"), ("hub", "blocked")] if plan.three else []
    choices += [("load", "shorted"), ("load", "pulses_off")] if plan.wound else []
    choices += [("supply", "grid_lost"), ("brake", "open")] if plan.live else []
    choices += [(limit["name"], "does_not_act") for limit in plan.limits]
    found: list[Table] = []
    for on, kind in rng.sample(choices, rng.choice((0, 1, 1, 2, 3))):
        fault: Table = {"name": f"f{len(found)}", "on": on, "kind": kind}
        lasts = kind in ("broken", "blocked", "does_not_act", "pulses_off")
        if rng.random() < 0.25:
            fault["when"] = _condition(rng, plan)
        else:
            fault["at"] = _time(rng, plan.end)
            if not lasts and rng.random() < 0.4:
                fault["until"] = fault["at"] + (_time(rng, 5 * MS) or MS)
        if kind == "shifted":
            fault["by"] = rng.uniform(2.0, 30.0)
        if kind == "drifting":
            fault["rate"] = rng.choice((-1.0, 1.0)) * rng.uniform(200.0, 5000.0)
        found.append(fault)
    return found


def _add_bus(rng: random.Random, plan: Plan) -> None:
    """Add a bus that carries the reading or the command, fails, and whose age is watched."""
    if rng.random() < 0.6:
        return
    carries = rng.choice(("ts", "torque"))
    period, most = rng.choice((200_000, 330_000, 500_000)), 4 * MS
    transport, phase = rng.randrange(0, 150) * RECORD, rng.randrange(0, period // RECORD) * RECORD
    plan.bus = {"carries": carries, "period": period, "phase": phase, "transport": transport}
    age = {"watches": "bus", "quantity": "age", "above": rng.uniform(0.2, 4.0) * 1e-3, "debounce": 0}
    if rng.random() < 0.6:
        limit = {"name": f"l{len(plan.limits)}", **age, "reaction": rng.choice((0, _time(rng, MS)))}
        plan.limits.append({**limit, "debounce": rng.choice((0, _time(rng, MS))), "action": "torque_off"})
    for kind in rng.choice((("lost",), ("late",), ("jittering",), ("late", "jittering"))):
        at = _time(rng, plan.end)
        fault: Table = {"name": f"f{len(plan.faults)}", "on": "bus", "kind": kind, "at": at}
        if kind != "lost":
            fault["lateness"] = rng.randrange(1, most // 1000) * 1000
        if rng.random() < 0.5:
            fault["until"] = at + (_time(rng, 5 * MS) or MS)
        plan.faults.append(fault)
    if rng.random() < 0.2:
        stalls = {"name": f"f{len(plan.faults)}", "on": "torque", "kind": "stalled", "when": age}
        plan.faults += [] if any(fault["on"] == "torque" for fault in plan.faults) else [stalls]


_UNITS = {
    "reading": "N m",
    "true_torque": "N m",
    "speed": "rad/s",
    "speed_difference": "rad/s",
    "current": "A",
    "voltage": "V",
    "age": "s",
}
_TIMES = ("over", "time", "ramp_time", "dwell", "timeout", "debounce", "reaction", "at", "until", "lateness")


def _spelt(entry: Table, unit: str) -> Table:
    """Return a table as a scenario states it."""
    found: Table = {}
    for key, value in entry.items():
        if key == "when":
            found[key] = _spelt(value, _level_unit(value))
        elif key in _TIMES:
            found[key] = f"{value} ns"
        elif key == "outside":
            found[key] = [f"{level!r} {unit}" for level in value]
        elif key == "rate":
            found[key] = f"{value!r} N m/s"
        elif key in ("above", "below", "jump", "within", "by") or (key == "to" and entry["do"] != "grid"):
            found[key] = f"{value!r} {unit}"
        else:
            found[key] = value
    return found


def _level_unit(condition: Table) -> str:
    if condition["quantity"] == "reading" and condition["watches"] != "ts":
        return "rad/s"
    return _UNITS[condition["quantity"]]


def _document(rng: random.Random, plan: Plan) -> Table:
    plain = {"time_constant": f"{LAG} s", "max_torque": "200 N m", "max_speed": "3000 rpm"}
    drag: Table = {"viscous": "0.01 N m s/rad", "coulomb": "0.5 N m"}
    drag |= {"breakaway": "0.8 N m"} if rng.random() < 0.2 else {"smoothing": "1 rad/s"}
    drive = servo("drive", 0.05, **plain, **({"drag": drag} if rng.random() < 0.5 else {}))
    load = dict(_PM) if plan.wound else servo("load", rng.uniform(0.03, 0.1), **plain)
    middle = [coupling("c", rng.uniform(5e2, 3e3), damping="0.5 N m s/rad"), disc("hub", 0.02)]
    meter = sensor(
        "ts",
        rng.uniform(2e3, 1e4),
        damping="0.5 N m s/rad",
        range=f"{RANGE} N m",
        latency=f"{plan.latency} samples",
    )
    keys = {"clamp": "60 N m", "feedforward": rng.choice((1.0, 0.9))}
    document: Table = {
        "duration": f"{plan.end} ns",
        "line": [drive, *(middle if plan.three else []), meter, load],
        "loop": [torque_loop("load", "ts", **keys), speed_loop("drive", 2.0, 20.0, clamp="60 N m")],
        "sequence": [
            _spelt(entry, "rad/s" if entry.get("loop") == "speed" else "N m") for entry in plan.sequence
        ],
        "limit": [_spelt(entry, _level_unit(entry)) for entry in plan.limits],
        "fault": [_spelt(entry, "N m") for entry in plan.faults],
        "record": {"channels": _further(plan)},
    }
    if plan.bus:
        times = {key: f"{plan.bus[key]} ns" for key in ("period", "phase", "transport")}
        document["hop"] = [{"name": "bus", "carries": plan.bus["carries"], **times}]
        if plan.bus["carries"] == "ts":
            document["loop"][0]["reads"] = "bus"
    if plan.live:
        supply = RECTIFIER | {"capacitance": "1 mF", "discharge_resistance": "20 kohm"}
        document |= {"supply": supply, "brake_resistor": [_BRAKE]}
    return document


def _further(plan: Plan) -> list[str]:
    found = ["hub.speed"] if plan.three else []
    found += ["bus.value", "bus.age"] if plan.bus else []
    found += ["torque.output", "load.command_active"] if plan.bus.get("carries") == "torque" else []
    return found + (["load.current_d", "load.current_q"] if plan.wound else [])
