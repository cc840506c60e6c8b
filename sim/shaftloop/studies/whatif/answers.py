"""What a finished study says: the best candidates, trade-offs, and what moves the figures."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.studies.checks.gains import WIRING
from shaftloop.studies.whatif.reading import Goal, Study
from shaftloop.studies.whatif.table import Table, TableColumn
from shaftloop.words import figure_words, value_words

__all__ = [
    "Answers",
    "FactorEffect",
    "Level",
    "answer",
    "backward_objectives",
    "main_effects",
    "pareto_front",
    "ranking",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Numbers = NDArray[np.int64]

_BINS = 8
"""Classes into which the values of a factor are sorted where there are more than `_MOST_LEVELS`."""
_MOST_LEVELS = 16


@dataclass(frozen=True)
class Level:
    """The candidates in which a factor takes one value, or one of a class."""

    low: float
    """Smallest value. [unit of the factor]"""
    high: float
    """Largest value. [unit of the factor]"""
    label: str
    """The text, of a factor with texts."""
    mean: float
    """Mean of the figure. [unit of the figure]"""
    count: int


@dataclass(frozen=True)
class FactorEffect:
    """What one factor does to one figure, averaged over all that the others do."""

    factor: str
    figure: str
    levels: tuple[Level, ...]
    """Rising."""
    span: float
    """Largest mean less smallest one. [unit of the figure]"""
    share: float | None
    """Variance of the means over that of the figure [1]; nothing where the figure does not vary."""


@dataclass(frozen=True)
class Answers:
    """What was found in a study."""

    passed: Flags
    """Which candidates are done and keep every bound, shape (candidates,)."""
    kept: tuple[int, ...]
    """How many candidates keep each bound."""
    ranked: Numbers
    """The best candidates that pass, best first: front by front, each by the first objective."""
    front: Numbers
    """Candidates that pass and that no other one beats in every objective, by the first objective."""
    effects: tuple[FactorEffect, ...]
    """By figure, the strongest factor first."""

    def strongest(self, figures: Sequence[str], factors: Sequence[str], most: int) -> list[str]:
        """Return at most so many factors: those with the largest share in any figure, in the order given."""
        shares: dict[str, float] = {}
        for effect in self.effects:
            if effect.figure in figures and effect.factor in factors:
                shares[effect.factor] = max(shares.get(effect.factor, 0.0), effect.share or 0.0)
        best = sorted(shares, key=lambda factor: -shares[factor])[:most]
        return [factor for factor in factors if factor in best]


def answer(study: Study, table: Table, most: int) -> Answers:
    """Return what a finished study says, and rank at most so many candidates."""
    passed = table.passes(study.bounds)
    costs, numbers = _costs(table, study.goals, passed)
    order = ranking(costs, most)
    front = pareto_front(costs) if study.goals else np.zeros(0, dtype=np.int64)
    return Answers(
        passed,
        tuple(int(table.keeps(bound).sum()) for bound in study.bounds),
        numbers[order] if study.goals else np.zeros(0, dtype=np.int64),
        numbers[front],
        main_effects(table, not study.design.gridded),
    )


def backward_objectives(study: Study) -> list[str]:
    """Return a warning per loop whose figures rank hardware by gains made for other hardware."""
    hardware = [axis.path for axis in study.axes if not _is_gain(axis.path)]
    tuned = study.tune.loops if study.tune is not None else ()
    found = []
    for goal in study.goals:
        source, _, rest = goal.metric.partition(".")
        loop = rest.partition(".")[0]
        own = any(axis.path.startswith(f"loop.{loop}.") and _is_gain(axis.path) for axis in study.axes)
        if source in ("margins", "map") and hardware and loop not in tuned and not own:
            goal_words, varied = figure_words(goal.metric), value_words(hardware[0])
            found.append(
                f"objective {goal_words}: {varied} varies while the gains of {loop} stay: this ranks "
                "hardware by how well it suits these gains, often backwards: more delay, more bandwidth; add "
                f'[tune] with loops = ["{loop}"], and every candidate gets gains of its own'
            )
    return found


def _is_gain(path: str) -> bool:
    """Return whether a factor is a gain: of a loop, and not what belongs to its hardware."""
    words = path.split(".")
    return words[0] == "loop" and len(words) > 2 and words[2] not in WIRING


def pareto_front(costs: Array) -> Numbers:
    """Return the rows that no other row beats: none is as small everywhere and smaller somewhere.

    Costs have shape (candidates, objectives) and no nan. The rows are ordered by the first objective, then
    the second and so on.
    """
    order = np.lexsort((np.arange(len(costs)), *costs.T[::-1])) if costs.size else np.arange(len(costs))
    front: list[int] = []
    kept = np.empty((0, costs.shape[1]))
    for place in order:
        row = costs[place]
        # Whoever beats a row comes before it in this order.
        no_worse = (kept <= row).all(axis=1)
        if (no_worse & (kept < row).any(axis=1)).any():
            continue
        front.append(int(place))
        kept = np.vstack((kept, row))
    return np.array(front, dtype=np.int64)


def ranking(costs: Array, most: int) -> Numbers:
    """Return the best rows, front by front, at most so many; costs as in `pareto_front`."""
    left = np.arange(len(costs))
    found: list[int] = []
    while len(left) and len(found) < most:
        front = pareto_front(costs[left])
        found += left[front].tolist()
        left = np.delete(left, front)
    return np.array(found[:most], dtype=np.int64)


def main_effects(table: Table, sampled: bool = False) -> tuple[FactorEffect, ...]:
    """Return what every factor does to every figure, the strongest factor of each figure first.

    `sampled` candidates are samples: means of a few of them differ by chance, and what chance alone would
    give is taken off the share of the variance (epsilon squared, Kelley 1935).
    """
    found = []
    for figure in table.figures.values():
        effects = [
            effect for factor in table.factors.values() if (effect := _effect(table, factor, figure, sampled))
        ]
        found += sorted(effects, key=lambda effect: -effect.span)
    return tuple(found)


def _costs(table: Table, goals: Sequence[Goal], passed: Flags) -> tuple[Array, Numbers]:
    """Return objectives to be made small, of the candidates that pass and have all of them."""
    signs = [-1.0 if goal.maximise else 1.0 for goal in goals]
    columns = [table.figures[goal.metric].values for goal in goals]
    rows = np.array([sign * column for sign, column in zip(signs, columns, strict=True)])
    rows = rows.reshape(len(goals), len(passed))
    numbers = np.flatnonzero(passed & ~np.isnan(rows).any(axis=0))
    return rows.T[numbers], numbers


def _effect(table: Table, factor: TableColumn, figure: TableColumn, sampled: bool) -> FactorEffect | None:
    """Return what a factor does to a figure, nothing where too little is known."""
    known = table.done & np.isfinite(factor.values) & np.isfinite(figure.values)
    values, results = factor.values[known], figure.values[known]
    if len(results) < 2:
        return None
    classes = _classes(values)
    count = int(classes.max()) + 1
    levels = []
    for i in range(count):
        inside = classes == i
        low, high = float(values[inside].min()), float(values[inside].max())
        label = factor.texts[int(low)] if factor.texts else ""
        levels.append(
            Level(low, high, label, math.fsum(results[inside]) / int(inside.sum()), int(inside.sum()))
        )
    if len(levels) < 2:
        return None
    means = [level.mean for level in levels]
    total = float(np.var(results))
    mean = math.fsum(results) / len(results)
    between = math.fsum(level.count * (level.mean - mean) ** 2 for level in levels) / len(results)
    share = between / total if total > 1e-24 * max(mean * mean, 1e-300) else None
    if share is not None and sampled:
        chance = (len(levels) - 1) / (len(results) - 1)
        share = max(0.0, (share - chance) / (1.0 - chance)) if chance < 1.0 else None
    return FactorEffect(factor.name, figure.name, tuple(levels), max(means) - min(means), share)


def _classes(values: Array) -> Numbers:
    """Return the level of each value, or its class where there are many: equally many values in each."""
    levels, inverse = np.unique(values, return_inverse=True)
    if len(levels) <= _MOST_LEVELS:
        return inverse.astype(np.int64)
    ranks = np.empty(len(values), dtype=np.int64)
    ranks[np.argsort(values, kind="stable")] = np.arange(len(values))
    return ranks * _BINS // len(values)
