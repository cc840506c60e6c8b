"""A study with everything that it says, finished or so far."""

from dataclasses import dataclass

from shaftloop.studies.responses import simulates
from shaftloop.studies.whatif.answers import Answers, answer
from shaftloop.studies.whatif.reading import Study
from shaftloop.studies.whatif.sensitivity import Sensitivity, sensitivity
from shaftloop.studies.whatif.store import Store
from shaftloop.studies.whatif.table import Table, read_table
from shaftloop.studies.whatif.yields import Yield, tolerance_yield

__all__ = ["Findings", "find"]

_MOST_REASONS = 20


@dataclass(frozen=True)
class Findings:
    """What a study says."""

    store: Store
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

    def reasons(self) -> list[tuple[str, str, int, int]]:
        """Return why candidates are not done: (status, reason, how many, first one)."""
        return self.store.reasons(_MOST_REASONS)


def find(store: Store, most: int) -> Findings:
    """Return what a study says.

    Parameters
    ----------
    store : Store
        With a row for every candidate, or fewer: what it says then is of these alone.
    most : int
        How many candidates are ranked.
    """
    study, design, table = store.study, store.study.design, read_table(store)
    answers = answer(study, table, most)
    drawn = design.kind == "monte_carlo" and study.bounds
    return Findings(
        store,
        table,
        answers,
        sensitivity(table, design.seed) if design.kind == "saltelli" else (),
        tolerance_yield(int(answers.passed.sum()), table.evaluated) if drawn else None,
    )
