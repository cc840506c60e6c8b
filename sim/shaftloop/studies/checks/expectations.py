"""Expectations of a scenario with their figures looked up and their bounds in the figures' units."""

from collections.abc import Iterator
from dataclasses import dataclass

from shaftloop.errors import ScenarioError
from shaftloop.figures import Figure
from shaftloop.scenario.description import Expect
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.locate import Locator
from shaftloop.scenario.reading import Scenario
from shaftloop.scenario.source import label_of
from shaftloop.scenario.units import Stated, UnitError
from shaftloop.studies.responses import known

__all__ = ["Expectation", "resolve"]


@dataclass(frozen=True)
class Expectation:
    """A bound on a figure, and how far the figure may move from a baseline."""

    metric: str
    """Name of the figure."""
    unit: str
    meaning: str
    at_most: float | None = None
    """[unit]"""
    at_least: float | None = None
    """[unit]"""
    tolerance: float | None = None
    """Largest change for the worse from the baseline; any change where there is no bound. [unit]"""
    relative: float | None = None
    """The same as a share of the baseline. [1]"""
    name: str = ""
    why: str = ""

    @property
    def label(self) -> str:
        """Its name, else that of its figure."""
        return self.name or self.metric

    def allowance(self, before: float) -> float | None:
        """Return how far the figure may move from a baseline, nothing where any move is allowed [unit]."""
        return self.tolerance if self.relative is None else self.relative * abs(before)


def resolve(scenario: Scenario) -> tuple[Expectation, ...]:
    """Return the expectations of a scenario.

    Raises
    ------
    ScenarioError
        Naming file, line and key of every figure that the bench does not have, with the nearest one, and of
        every bound in another unit.
    """
    expected = scenario.description.expect
    metrics = [entry.metric for entry in expected]
    have = known(scenario.description, metrics)
    if not set(metrics) <= set(have):
        have = known(scenario.description)
    locator, label = Locator(scenario.text), label_of(scenario.path)
    problems, result = [], []
    for index, stated in enumerate(expected):
        place = f"expect.{stated.name or index}"
        found, wrong = _resolve(stated, have)
        for key, message in wrong:
            line = locator.line(("expect", index, key))
            problems.append(f"{label}:{line}: {place}.{key}: {message}")
        result.append(found)
    if problems:
        raise ScenarioError(problems)
    return tuple(found for found in result if found is not None)


def _resolve(stated: Expect, have: dict[str, Figure]) -> tuple[Expectation | None, list[tuple[str, str]]]:
    figure = have.get(stated.metric)
    if figure is None:
        known_words = sorted({name.partition(".")[0] for name in have})
        hint = nearest(stated.metric, have) or f"; figures begin with {', '.join(known_words)}"
        return None, [("metric", f"{shown(stated.metric)} is no figure of this bench{hint}")]
    values: dict[str, float | None] = {}
    wrong = []
    for key in ("at_most", "at_least", "tolerance"):
        values[key] = None
        number: Stated | None = getattr(stated, key)
        if number is not None:
            try:
                values[key] = number.to(figure.unit)
            except UnitError as error:
                wrong.append((key, f"{stated.metric}: {error}"))
    wrong += _contradictions(stated, figure.unit, values)
    return (
        Expectation(
            stated.metric,
            figure.unit,
            figure.meaning,
            **values,
            relative=stated.relative_tolerance,
            name=stated.name or "",
            why=stated.why or "",
        ),
        wrong,
    )


def _contradictions(stated: Expect, unit: str, values: dict[str, float | None]) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with bounds whose units are right."""
    low, high, tolerance = values["at_least"], values["at_most"], values["tolerance"]
    suffix = "" if unit == "1" else f" {unit}"
    if low is not None and high is not None and low > high:
        yield "at_least", f"{low:g}{suffix} is above at_most, {high:g}{suffix}; nothing can be between them"
    if tolerance is not None and tolerance < 0.0:
        yield "tolerance", f"{tolerance:g}{suffix} is below zero; a tolerance is how far the figure may move"
    if (
        tolerance is not None
        and unit == "1"
        and stated.tolerance is not None
        and stated.tolerance.unit == "%"
    ):
        # Of a figure without a unit it would be open whether points or a share of the baseline are meant.
        yield (
            "tolerance",
            f"{float(stated.tolerance.value):g} % of the baseline is relative_tolerance; "
            f"as a change of the figure itself write {tolerance:g}",
        )
