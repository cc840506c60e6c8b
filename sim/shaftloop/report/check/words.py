"""Findings of a check in the words of engineers: what got worse, by how much, which limit is now closer."""

from math import isinf

from shaftloop.report.quantities import readable
from shaftloop.studies.checks.judge import Drift, Verdict
from shaftloop.studies.checks.run import AS_STATED, CheckedScenario
from shaftloop.words import figure_words

__all__ = [
    "bench_words",
    "gain_labels",
    "gain_words",
    "limit_words",
    "quantity",
    "verdict_words",
]

_BETTER = {"better": "better by", "worse": "worse by", "moved": "a change of"}


def quantity(value: float | None, unit: str) -> str:
    """Return a figure with its unit as people say it.

    Parameters
    ----------
    value : float or None
        Infinite where it has no end. [unit]
    unit : str
        Of the figure.
    """
    if value is None:
        return "no value"
    if isinf(value):
        return "without end" if value > 0.0 else "below every bound"
    number, name = (value, "") if unit == "1" else readable(value, unit)
    text = f"{number:.0f}" if 1e4 <= abs(number) < 1e9 else f"{number:.4g}"
    return f"{text}°" if unit == "deg" else f"{text} {name}".rstrip()


def _difference(value: float, unit: str) -> str:
    """Return the size of a difference; of percentages in points."""
    if unit == "%":
        return f"{value:.3g} point{'' if value == 1.0 else 's'}"
    return quantity(float(f"{value:.3g}"), unit)


def verdict_words(verdict: Verdict) -> str:
    """Return what was found about an expectation as one sentence without a full stop."""
    name, response = figure_words(verdict.expectation.metric), verdict.response
    if response.failed:
        return f"{name} could not be found: {response.reason}"
    if verdict.now is None:
        return f"{name} has no value: {response.reason}"
    return "; ".join([f"{name} {_movement(verdict)}", *limit_words(verdict)])


def limit_words(verdict: Verdict) -> list[str]:
    """Return how far the nearest bound is, and was; nothing where there is none."""
    limit, now, unit = verdict.limit, verdict.now, verdict.expectation.unit
    if limit is None or now is None or isinf(now):
        return []
    away, broken = _difference(abs(now - limit), unit), {"at_most", "at_least"} & set(verdict.broken)
    if broken:
        return [f"{away} {'above' if now > limit else 'below'} the limit {quantity(limit, unit)}"]
    text = f"the limit {quantity(limit, unit)} is "
    if now == limit:
        return [text + "reached"]
    drift = verdict.drift
    if drift is None or drift.kind == "same" or drift.before is None:
        return [text + f"{away} away"]
    return [text + f"now {away} away" + _was(drift.before, limit, unit, now > limit)]


def gain_words(path: str, before: str, now: str) -> str:
    """Return a change of a gain.

    Parameters
    ----------
    path : str
        For example ``loop.torque.kp``.
    before, now : str
        As in a scenario.
    """
    return f"{path.removeprefix('loop.')}: {before} → {now}"


def bench_words(checked: CheckedScenario) -> list[str]:
    """Return what is to be said of a check besides its figures: baseline and gains."""
    reference, lines = checked.reference, []
    if not checked.compared:
        return []
    if reference is None:
        return ["no baseline: only the bounds are judged; the option update-baseline writes one"]
    if checked.stale:
        lines.append(
            f"{reference.label} is of another version of the bench, which differs in "
            f"{', '.join(checked.stale)}: changes are shown but not judged; look at them, then write it anew "
            "with the option update-baseline"
        )
    if checked.gain_changes:
        changes = [gain_words(path, *pair) for path, pair in checked.gain_changes.items()]
        lines.append(f"gains changed: {', '.join(changes)}")
    if checked.unknown:
        names = ", ".join(checked.unknown)
        lines.append(f"not in {reference.label}: {names}; the option update-baseline adds them")
    if reference.label == AS_STATED:
        lines.append(f"compared with {AS_STATED}")
    return lines


def gain_labels(checked: CheckedScenario, loop: str) -> tuple[str, str]:
    """Return the changed gains of a loop before and now, e.g. ``before: ki = 120 1/s``.

    Parameters
    ----------
    loop : str
        Its name.
    """
    start = f"loop.{loop}."
    own = {p.removeprefix(start): pair for p, pair in checked.gain_changes.items() if p.startswith(start)}
    before, now = (", ".join(f"{name} = {pair[i]}" for name, pair in own.items()) for i in (0, 1))
    return f"before: {before}", f"now: {now}"


def _movement(verdict: Verdict) -> str:
    now, unit, drift = verdict.now, verdict.expectation.unit, verdict.drift
    if drift is None:
        return f"is {quantity(now, unit)}"
    if drift.kind == "same":
        return f"stays at {quantity(now, unit)}"
    if drift.before is None or now is None or drift.change is None:
        return f"is {quantity(now, unit)}, where it had no value"
    if isinf(drift.change):
        return f"is now {quantity(now, unit)}, before {quantity(drift.before, unit)}"
    rose = drift.change > 0.0
    text = f"{'rose' if rose else 'fell'} from {quantity(drift.before, unit)} to {quantity(now, unit)}"
    if "tolerance" in verdict.broken and drift.allowance is not None:
        moved = f"{_size(drift, unit)} more" if rose else f"lost {_size(drift, unit)}"
        return f"{text}: {moved}, {_difference(drift.allowance, unit)} allowed"
    return f"{text}, {_BETTER[drift.kind]} {_size(drift, unit)}"


def _size(drift: Drift, unit: str) -> str:
    change = abs(drift.change or 0.0)
    percent = 100.0 * change / abs(drift.before) if drift.before else 0.0
    share = f" ({percent:{'.0f' if percent >= 10.0 else '.2g'}} %)" if percent and unit != "%" else ""
    return _difference(change, unit) + share


def _was(before: float, limit: float, unit: str, above: bool) -> str:
    if isinf(before) or (before > limit) != above:
        return ""
    return f", before {_difference(abs(before - limit), unit)}"
