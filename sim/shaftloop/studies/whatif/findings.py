"""A finished study with everything that it says."""

from dataclasses import dataclass

from shaftloop.studies.whatif.answers import Answers, answer
from shaftloop.studies.whatif.reading import Study
from shaftloop.studies.whatif.sensitivity import Sensitivity, sensitivity
from shaftloop.studies.whatif.store import Entry, Store
from shaftloop.studies.whatif.table import Table, read_table
from shaftloop.studies.whatif.yields import Yield, tolerance_yield

__all__ = ["Findings", "find"]

_MOST_REASONS = 5


@dataclass(frozen=True)
class Findings:
    """What a study says."""

    study: Study
    table: Table
    answers: Answers
    sensitivities: tuple[Sensitivity, ...]
    """Of the design ``saltelli``, else empty."""
    share: Yield | None
    """Share of good benches; nothing without bounds."""
    ranked: tuple[Entry, ...]
    """Rows of the best candidates, best first."""
    reasons: tuple[tuple[str, str, int, int], ...]
    """Why candidates are not done: status, reason, how many, the first one."""


def find(store: Store, most: int) -> Findings:
    """Return what a finished study says.

    Parameters
    ----------
    store : Store
        With a row for every candidate.
    most : int
        How many candidates are ranked.
    """
    study, table = store.study, read_table(store)
    answers = answer(study, table, most)
    return Findings(
        study,
        table,
        answers,
        sensitivity(table, study.design.seed) if study.design.kind == "saltelli" else (),
        tolerance_yield(int(answers.passed.sum()), len(table.done)) if study.bounds else None,
        tuple(store.entries(answers.ranked.tolist())),
        tuple(store.reasons(_MOST_REASONS)),
    )
