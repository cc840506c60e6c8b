"""A study with everything that it says, finished or so far."""

from dataclasses import dataclass

import numpy as np

from shaftloop.cautions import cautions
from shaftloop.studies.responses import OVERLOADED, simulates
from shaftloop.studies.whatif.answers import Answers, answer, backward_objectives
from shaftloop.studies.whatif.reading import Study
from shaftloop.studies.whatif.sensitivity import Sensitivity, sensitivity
from shaftloop.studies.whatif.store import ResultStore
from shaftloop.studies.whatif.table import Table, read_table
from shaftloop.studies.whatif.yields import Yield, tolerance_yield
from shaftloop.words import figure_words

__all__ = ["StudyFindings", "find"]

_MOST_REASONS = 20


@dataclass(frozen=True)
class StudyFindings:
    """What a study says."""

    store: ResultStore
    """Its rows."""
    table: Table
    """The rows as columns."""
    answers: Answers
    """Ranking, bounds, front and main effects."""
    indices: tuple[Sensitivity, ...] = ()
    """Of the design ``saltelli``, else empty."""
    good: Yield | None = None
    """Share of good benches; only of the design ``monte_carlo``, with bounds."""

    @property
    def study(self) -> Study:
        """The study."""
        return self.store.study

    @property
    def title(self) -> str:
        """Title of the study."""
        return self.study.title

    @property
    def simulates(self) -> bool:
        """Whether candidates were run, not only analysed."""
        return simulates(self.study.figures)

    @property
    def cautions(self) -> tuple[str, ...]:
        """How to try gains, where every candidate got its own."""
        return cautions("gains") if self.study.tune is not None else ()

    @property
    def notes(self) -> tuple[str, ...]:
        """What is allowed but limits the meaning of the answers."""
        study, design = self.study, self.study.design
        found = []
        if design.kind == "sobol" and design.count is not None and design.count & (design.count - 1):
            below = 1 << (design.count.bit_length() - 1)
            found.append(
                f"a Sobol sequence fills the space evenly where its count is a power of 2; {design.count} is "
                f"none, {below} and {2 * below} are"
            )
        found += backward_objectives(study)
        total, evaluated = self.store.plan.total, self.table.evaluated
        if evaluated < total:
            found.append(
                f"only {evaluated} of {total} candidates are there so far: all that is said is of these"
            )
        if left := evaluated - int(self.table.done.sum()):
            found.append(f"{left} of {evaluated} candidates are not done: see their reasons")
        damaged = self.table.figures.get(OVERLOADED)
        if damaged is not None and (many := int(np.count_nonzero(damaged.values > 0.0))):
            found.append(
                f"{many} of {evaluated} candidates take a part beyond a limit that it states "
                f"(column {OVERLOADED} of the results): they are damaged, whatever the other figures say"
            )
        for entry in self.indices:
            if entry.indices and entry.rows < (design.count or 0):
                rows = f"{entry.rows} of {design.count} rows"
                found.append(
                    f"the indices of {figure_words(entry.figure)} rest on {rows}: the others are not complete"
                )
        return tuple(found)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What looks wrong in the scenario, and the notes."""
        return (*self.study.scenario.warnings, *self.notes)

    def reasons(self) -> list[tuple[str, str, int, int]]:
        """Return why candidates are not done: (status, reason, how many, first one)."""
        return self.store.reasons(_MOST_REASONS)


def find(store: ResultStore, most: int) -> StudyFindings:
    """Return what a study says, of the candidates that have a row; at most so many are ranked."""
    study, design, table = store.study, store.study.design, read_table(store)
    answers = answer(study, table, most)
    drawn = design.kind == "monte_carlo" and study.bounds
    return StudyFindings(
        store,
        table,
        answers,
        sensitivity(table, design.seed) if design.kind == "saltelli" else (),
        tolerance_yield(int(answers.passed.sum()), table.evaluated) if drawn else None,
    )
