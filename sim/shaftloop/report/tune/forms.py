"""The gains of a loop in the forms in which people and drives take them."""

from dataclasses import dataclass, fields

from shaftloop.control.parameters import Loop
from shaftloop.scenario.description import Description
from shaftloop.studies.tuning.rewrite import shown_value

__all__ = ["GainForm", "gain_forms", "shape_text"]

_RPM = 9.549296585513721
_NOT_SHAPE = frozenset(
    "name acts_on reads rate kp ki clamp phase output_latency anti_windup setpoint_rate free_running "
    "limiter_of limit_speed derivative_of".split()
)


@dataclass(frozen=True)
class GainForm:
    """A gain in one form."""

    name: str
    value: float | None
    unit: str
    meaning: str


def gain_forms(description: Description, loop: Loop) -> tuple[GainForm, ...]:
    """Return the gains: as the controller runs them, as Kp and Ti, and as drives take them."""
    kp, ki, rate = loop.kp.value, loop.ki.value, float(loop.rate)
    torque, of = _rated(description, loop)
    speed = loop.kp.unit != "1"
    percent = 100.0 * kp / torque / _RPM if speed else 100.0 * kp
    error = "1 rpm" if speed else f"{of} of error"
    if loop.unit == "W":
        percent, error = 100.0 * kp / torque, "1 V"
    return (
        GainForm("rate", rate, "Hz", "of the controller; the gains belong to it"),
        GainForm("kp", kp, loop.kp.unit, "u = kp·e + I"),
        GainForm("ki", ki, loop.ki.unit, "I grows by ki·e per second"),
        GainForm(
            "ki_per_tick", ki / rate, loop.kp.unit, "I grows by this times e per tick: I += (ki·T)·e after u"
        ),
        GainForm("ti", kp / ki if ki > 0.0 else None, "s", "Ti = kp/ki, integral (reset) time"),
        GainForm("kp_percent", percent, "%", f"of {of} ({torque:g} {loop.unit}) per {error}"),
    )


def shape_text(loop: Loop) -> str:
    """Return all that a controller has besides its gains, in words; empty for a bare PI."""
    said = []
    for field in fields(Loop):
        value = getattr(loop, field.name)
        if field.name in _NOT_SHAPE or value in (None, 0.0, ()) or getattr(value, "value", 1.0) == 0.0:
            continue
        shown = shown_value(Loop, field.name, value)
        if isinstance(shown, list):
            said += [_words(entry) for entry in shown]
        elif isinstance(shown, dict):
            said.append(f"{field.name.replace('_', ' ')} ({_words(shown)})")
        else:
            said.append(f"{field.name.replace('_', ' ')} {shown}")
    return "; ".join(said)


def _words(entry: dict[str, object]) -> str:
    kind = str(entry.get("kind", "")).replace("_", "-")
    rest = ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in entry.items() if key != "kind")
    return f"{kind} {rest}".strip()


def _rated(description: Description, loop: Loop) -> tuple[float, str]:
    """Return the torque that per cent refer to, and what it is called."""
    rated = next((m.rated_torque for m in description.machines() if m.name == loop.acts_on), None)
    return (rated, "rated torque") if rated else (loop.clamp, "the clamp")
