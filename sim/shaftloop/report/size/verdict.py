"""The answer about sizes in words."""

from collections.abc import Iterator

from shaftloop.answers.sizing import SizeAnswer
from shaftloop.bench.parts.ratings import BENDING
from shaftloop.report.quantities import show
from shaftloop.scenario.faults import said
from shaftloop.studies.linksizing import LinkSize
from shaftloop.studies.sizing import Sized

__all__ = ["advice", "asked", "verdict"]

_MOST = 3
_LINK = {
    "voltage": "Raise supply.capacitance, or lower the resistance of a brake resistor.",
    "mean_power": "Take a resistor {part} of more brake_resistor.{part}.continuous_power.",
    "pulse_energy": "Take a resistor {part} of more brake_resistor.{part}.pulse_energy.",
}
"""What to do where it is the link or a brake resistor that does not serve."""
_NAMES = {BENDING: "{} in bending", "voltage": "the capacitor of the {}"} | dict.fromkeys(
    ("mean_power", "pulse_energy"), "brake resistor {}"
)
"""What a quantity binds, where that is not the part."""


def verdict(answer: SizeAnswer) -> list[str]:
    """Return whether every part serves, what binds and what else would do, in at most three sentences."""
    judged = [entry for entry in answer.sized if entry.serves is not None]
    if bounds := [_bound(entry) for entry in answer.link if entry.short]:
        listed = f"{'; '.join(bounds)}, with all else as stated"
        first = f"The link does not keep its bounds in the sequence: {listed}."
        others = any(entry.quantity != "voltage" for entry in answer.short)
        return [first, f"Besides, {_short(answer)}.", *advice(answer)] if others else [first]
    if not judged:
        return ["Not judged: no part states a rating or a limit; add rated, limit and max_speed."]
    what = "sequence and faults ask" if answer.faults else "the sequence asks"
    if not answer.short:
        nearest = max(judged, key=lambda entry: entry.used)
        if unsure := _unsure(judged):
            return [f"No part passes a limit that is stated, but {unsure}.", f"Nearest is {asked(nearest)}."]
        return [f"Every part stands what {what} of it; nearest is {asked(nearest)}."]
    sentences = [f"{_short(answer)}."]
    if unsure := _unsure(judged):
        sentences.append(f"Besides, {unsure}.")
    return [*sentences, *advice(answer)]


def _short(answer: SizeAnswer) -> str:
    """Return which parts do not serve, and what the worst of them sees."""
    what = "sequence and faults ask" if answer.faults else "the sequence asks"
    parts = list(dict.fromkeys(entry.part for entry in answer.short))
    more = f" and {len(parts) - _MOST} more" if len(parts) > _MOST else ""
    listed = ", ".join(parts[:_MOST]) + more
    verb = "does" if len(parts) == 1 else "do"
    return f"{listed} {verb} not stand what {what} of the line: {asked(answer.short[0])}"


def _bound(entry: LinkSize) -> str:
    """Return which value of the link does not do, and which would."""
    figure, stated = entry.figure, show(entry.stated, entry.figure.unit, 3)
    if figure.value is None:
        return f"{entry.key} is {stated}, and {figure.reason}"
    bound = show(figure.value, figure.unit, 4)
    enough = f"from {bound} on" if figure.better == "lower" else f"up to {bound}"
    return f"{entry.key} is {stated} and would do {enough}"


def advice(answer: SizeAnswer) -> Iterator[str]:
    """Yield what to take in place of the part that is shortest, where one is."""
    if not answer.short:
        return
    part, others = answer.short[0].part, answer.short[0].others
    if answer.short[0].quantity == BENDING:
        yield f"Make {part} stiffer, shorter or lighter, carry it more stiffly, or stay below that speed."
    elif answer.short[0].quantity in _LINK:
        yield _LINK[answer.short[0].quantity].format(part=part)
    elif others:
        names = ", ".join(others[:_MOST])
        yield f"Strong enough in place of {part}, tried there: {names}; look at its margins first."
    else:
        yield f"No part file at hand is strong enough in place of {part}."


def _unsure(judged: list[Sized]) -> str:
    """Return which parts are above their rating in a fault and state no limit, as a sentence goes on."""
    doubtful = [entry for entry in judged if entry.serves and not entry.limit and entry.above]
    if not doubtful:
        return ""
    worst = max(doubtful, key=lambda entry: (entry.fault or 0.0) / (entry.rated or 1.0))
    names = ", ".join(entry.part for entry in doubtful)
    size, rated = show(worst.fault or 0.0, worst.unit, 3), show(worst.rated or 0.0, worst.unit, 3)
    when = said(worst.worst.fault) if worst.worst else "something fails"
    return (
        f"{names} cannot be judged in faults: no limit is stated, and {worst.part} sees {size} of a rating "
        f"of {rated} where {when}"
    )


def asked(entry: Sized) -> str:
    """Return what binds a part: its largest load against what it stands, and when."""
    load, mean = (entry.sequence, "") if entry.rms is None else (entry.rms, " rms")
    part = _NAMES.get(entry.quantity, "{}").format(entry.part)
    if entry.rated is not None and entry.used == load / entry.rated:
        stated = show(entry.rated, entry.unit, 3)
        return f"{part} with {show(load, entry.unit, 3)}{mean} of a rating of {stated}"
    fault, bound, when = entry.fault or 0.0, show(entry.limit or 0.0, entry.unit, 3), ""
    if entry.worst is not None and fault > entry.sequence:
        when = f" where {said(entry.worst.fault)}"
    largest = show(max(fault, entry.sequence), entry.unit, 3)
    return f"{part} with {largest} of a limit of {bound}{when}"
