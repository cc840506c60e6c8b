"""Names for people: of figures, and of values of a scenario. Documents and settings keep the paths."""

from collections.abc import Sequence

__all__ = ["figure_words", "spoken", "value_words"]

_SPECIAL = {"ms": "Ms", "mt": "Mt", "percent": "%", "db": "dB"}
_WITHIN = {"margins": "{figure} of {of}", "map": "{figure} of {of} over the operating range"}
_OF_PARTS = {
    "load": "largest {what} of {of}",
    "load_of_rated": "largest {what} of {of} over its rating",
    "load_of_limit": "largest {what} of {of} over its limit",
    "limited": "share of the time of {of} at its limit of {what}",
}
"""Figures of a run that name a part, or a loop, and a quantity."""
_AFTER = {
    "share": "largest share of a limit with {part} {fault}",
    "torque_away": "time until the torque is away with {part} {fault}",
}
_WHOLE = {
    "faults.damaging": "number of faults that break a part",
    "simulate.beyond_limit": "number of parts beyond a limit",
}
_LISTS = ("line", "loop", "hop", "limit", "fault", "power_meter", "brake_resistor", "sequence")
"""Tables of a scenario of which there may be several, each with a name or a number."""


def spoken(name: str) -> str:
    """Return the name of a figure as people say it: torque rise time for ``torque_rise_time``.

    Parameters
    ----------
    name : str
        As in a document.
    """
    return " ".join(_SPECIAL.get(word, word) for word in name.split("_"))


def figure_words(metric: str) -> str:
    """Return the name of a figure in words, e.g. ``phase margin of torque``.

    Parameters
    ----------
    metric : str
        For example ``margins.torque.phase_margin``, or words where it has no source.
    """
    source, *names = metric.split(".")
    if not names:
        return source
    if source in _WITHIN and len(names) > 1:
        return _WITHIN[source].format(figure=_of(names[1:]), of=names[0])
    if source == "modes" and len(names) == 2:
        return f"{spoken(names[1])} of mode {names[0]}"
    if source == "faults" and len(names) == 3:
        return _AFTER[names[2]].format(part=names[0], fault=spoken(names[1]))
    if source == "gains":
        return _of(names[::-1])
    first, *rest = names
    if source == "simulate" and first in _OF_PARTS:
        return _OF_PARTS[first].format(of=rest[0], what=spoken(rest[-1]))
    if source == "simulate" and first == "at_end":
        return f"{_of(rest)} at the end of the run"
    words = _WHOLE.get(metric) or spoken(first) + (f" of {'.'.join(rest)}" if rest else "")
    return words if source == "simulate" or metric in _WHOLE else f"{source} {words}"


def _of(names: Sequence[str]) -> str:
    """Return words that belong to each other: temperature of winding of drive."""
    return " of ".join(map(spoken, names))


def value_words(path: str) -> str:
    """Return the name of a value of a scenario in words, e.g. ``filter cutoff of ts``.

    Parameters
    ----------
    path : str
        As in a setting, for example ``line.ts.filter.cutoff``.
    """
    first, *rest = path.split(".")
    if not rest:
        return spoken(first)
    if first not in _LISTS:
        return f"{' '.join(map(spoken, rest))} of the {spoken(first)}"
    name, *keys = rest
    of = f"step {name} of the sequence" if first == "sequence" else name
    return f"{' '.join(map(spoken, keys))} of {of}" if keys else f"part {name}"
