"""Uncertainty budgets on the terminal."""

import math
from collections.abc import Iterator, Mapping, Sequence

from shaftloop.analysis.efficiency import PointBudget
from shaftloop.analysis.uncertainty.evaluation import Evaluation, StatedResult
from shaftloop.analysis.uncertainty.propagation import Budget
from shaftloop.report.quantities import readable, show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.words import spoken

__all__ = [
    "interval_text",
    "scaled",
    "share_above_one",
    "show_components",
    "show_evaluation",
    "show_point",
    "stated_text",
]

_MOST_ROWS = 8
_LOPSIDED = 0.05
"""Difference of both sides of an interval, over half its width, above which both are shown."""


def scaled(size: float, unit: str, people: bool) -> tuple[float, str]:
    """Return the factor and the unit in which to show quantities of a size.

    Parameters
    ----------
    size : float
        [unit]
    unit : str
        Unit of the numbers.
    people : bool
        True where SI units are to become those of people, e.g. rpm; else the unit stays.
    """
    if not people or not size:
        return 1.0, "" if unit == "1" else unit
    if unit == "1":
        return 100.0, "%"
    number, name = readable(size, unit)
    return number / size, name


def stated_text(stated: StatedResult, unit: str, people: bool = True) -> str:
    """Return a value with its uncertainty, whose two digits say where both end.

    Parameters
    ----------
    stated : StatedResult
        Value and interval. [unit]
    unit : str
        Unit of both.
    people : bool
        See `scaled`.
    """
    factor, name = scaled(max(abs(stated.value), stated.expanded), unit, people)
    value, expanded = factor * stated.value, factor * stated.expanded
    sides = factor * (stated.high - stated.value), factor * (stated.value - stated.low)
    places = _places(expanded)
    long = places > 9 or abs(value) >= 1e9
    shown, form = ("z.6g", ".2g") if long else (f"z.{places}f", f".{places}f")
    # Up to the sampling error of a valid interval both sides are the same.
    if abs(sides[0] - sides[1]) <= _LOPSIDED * expanded:
        return f"{value:{shown}} ± {expanded:{form}} {name}".rstrip()
    return f"{value:{shown}} +{sides[0]:{form}} -{sides[1]:{form}} {name}".replace("+-", "-").rstrip()


def interval_text(low: float, high: float, unit: str, people: bool = True) -> str:
    """Return an interval, its ends to two digits of its half width.

    Parameters
    ----------
    low, high : float
        Ends. [unit]
    unit : str
        Unit of both.
    people : bool
        See `scaled`.
    """
    factor, name = scaled(max(abs(low), abs(high)), unit, people)
    places = _places(0.5 * factor * (high - low))
    if places > 9 or max(abs(low), abs(high)) * factor >= 1e9:
        return f"{factor * low:.6g} to {factor * high:.6g} {name}".rstrip()
    return f"{factor * low:.{places}f} to {factor * high:.{places}f} {name}".rstrip()


def show_evaluation(
    title: str, found: Evaluation, people: bool, unmeasured: Mapping[str, str] | None = None
) -> Iterator[Piece]:
    """Yield value, uncertainty, Monte Carlo interval and verdict of every result.

    Parameters
    ----------
    title : str
        Over the table.
    people : bool
        See `scaled`.
    unmeasured : mapping of str to str, optional
        Results whose uncertainty nothing tells, with the reason.
    """
    coverage = f"{100.0 * found.sampled.coverage:.4g} %"
    table = new_table(
        title, "result", f"value ± U ({coverage})", "U, relative", "k", "dof", "Monte Carlo", "budget holds"
    )
    budgets = [None] * len(found.stated) if found.propagation is None else found.propagation.budgets
    verdicts = found.verdicts or [None] * len(found.stated)
    for stated, budget, sampled, verdict in zip(
        found.stated, budgets, found.sampled.results, verdicts, strict=True
    ):
        if reason := (unmeasured or {}).get(sampled.name):
            add_row(
                table, spoken(sampled.name), f"{show(stated.value, sampled.unit)}, {reason.partition(':')[0]}"
            )
            continue
        holds = (
            "-" if verdict is None else "open" if not verdict.settled else "yes" if verdict.valid else "no"
        )
        add_row(
            table,
            spoken(sampled.name),
            stated_text(stated, sampled.unit, people),
            _relative(stated, sampled.unit, people),
            "-" if stated.factor is None else f"{stated.factor:.2f}",
            "-"
            if stated.by == "monte_carlo" or budget is None
            else "∞"
            if math.isinf(budget.dof)
            else f"{budget.dof:.3g}",
            interval_text(sampled.low, sampled.high, sampled.unit, people),
            holds,
        )
    yield table
    sampled_run = found.sampled
    word = "settled" if sampled_run.stable else "not settled within a fifth of the last digit"
    text = f"Monte Carlo: {sampled_run.trials} trials, {word}, {sampled_run.interval} interval. "
    if found.propagation is None:
        yield text + "No first-order budget: value, U and k are those of the trials."
        return
    text += (
        "The budget holds where both ends of its interval agree with it within half a unit of u's last digit"
    )
    if any(stated.by == "monte_carlo" for stated in found.stated):
        text += "; where not, value, U and k are those of the trials"
    yield f"{text}; open: sampling cannot tell."


def show_components(budget: Budget, people: bool) -> Iterator[Piece]:
    """Yield the largest contributions to one result.

    Parameters
    ----------
    people : bool
        See `scaled`.
    """
    table = new_table(
        f"Contributions to {spoken(budget.name)}", "quantity", "contribution", "share", "distribution", ""
    )
    factor, name = scaled(budget.uncertainty, budget.unit, people)
    shown = [row for row in budget.contributions if row.contribution][:_MOST_ROWS]
    for row in shown:
        size = f"{factor * abs(row.contribution):.3g} {name}".rstrip()
        add_row(table, row.name, size, f"{100.0 * row.share:.1f} %", row.distribution, row.meaning)
    rest = [row for row in budget.contributions if row.contribution][_MOST_ROWS:]
    if rest:
        together = f"{factor * math.sqrt(sum(row.contribution**2 for row in rest)):.2g} {name}".rstrip()
        share = f"{100.0 * sum(row.share for row in rest):.1f} %"
        add_row(table, f"{len(rest)} more", together, share, "", "")
    yield table


def show_point(title: str, budget: PointBudget, found: Evaluation, wanted: Sequence[str]) -> Iterator[Piece]:
    """Yield all that was found at an operating point.

    Parameters
    ----------
    title : str
        Over the table.
    wanted : sequence of str
        Results whose contributions are shown.
    """
    yield from show_evaluation(title, found, True, budget.unmeasured)
    for entry in budget.propagation.budgets:
        if entry.name in wanted and entry.name not in budget.unmeasured:
            yield from show_components(entry, True)
    if budget.comparison is not None:
        comparison = budget.comparison
        direct, losses = (f"{100.0 * value:.2g}" for value in (comparison.direct, comparison.from_losses))
        better = "the losses" if comparison.from_losses < comparison.direct else "input and output"
        yield (
            f"Efficiency by input and output ±{direct} points, from losses ±{losses} points: here {better} "
            f"are better. From {100.0 * comparison.crossover:.3g} % efficiency on the losses are."
        )
    yield f"Correlation of torque and speed errors: {budget.torque_speed_correlation:+.2f}."
    if above := share_above_one(found):
        yield (
            f"{100.0 * above:.2g} % of the trials give an efficiency above 1: that is measurement error, "
            "and it is not clipped."
        )
    for name, reason in budget.unmeasured.items():
        yield f"{name}: {reason}"
    for text in budget.left_out:
        yield f"left out: {text}"


def share_above_one(found: Evaluation) -> float:
    """Return the share of trials whose efficiency is above 1, 0 without an efficiency [1]."""
    for result in found.sampled.results:
        if result.name == "efficiency":
            return float((result.values > 1.0).mean())
    return 0.0


def _relative(stated: StatedResult, unit: str, people: bool) -> str:
    """Return the uncertainty relative to the value, or that a value within it of 0 has none."""
    if stated.relative is None or stated.relative > 1.0:
        _, name = scaled(max(abs(stated.value), stated.expanded), unit, people)
        return f"not meaningful near 0 {name}".rstrip()
    return f"{100.0 * stated.relative:.2g} %"


def _places(expanded: float) -> int:
    """Return the decimal places that show two digits of an uncertainty."""
    if not expanded > 0.0 or not math.isfinite(expanded):
        return 4
    return max(0, 1 - int(f"{expanded:.1e}".partition("e")[2]))
