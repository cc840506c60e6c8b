"""Page one: does the bench do its job, what binds, what to buy or change, what is unsafe."""

from collections.abc import Sequence
from dataclasses import dataclass

from shaftloop.report.judgement import Judgement
from shaftloop.report.page.sections import AnsweredSection

__all__ = ["Front", "front_of"]

_MOST_BINDING = 3


@dataclass(frozen=True)
class Front:
    """What stands on page one."""

    holds: bool | None
    """Whether the bench does its job; nothing where nothing is asked of it."""
    lead: str
    judgements: tuple[Judgement, ...]
    """What fails first, then in the order of the questions."""
    binding: tuple[Judgement, ...]
    """Those nearest to their bound, or furthest beyond it."""
    advice: tuple[str, ...]
    dangers: tuple[str, ...]
    reservation: str = ""
    """What stands against a yes although every demand holds."""

    @property
    def safe(self) -> list[str]:
        """What was looked for and is not unsafe."""
        looked = {
            "limit": "In the run no part passes its limit.",
            "interlock": "In the run no interlock trips.",
            "stability": "No loop is unstable.",
        }
        kinds = {entry.kind for entry in self.judgements}
        bad = {entry.kind for entry in self.judgements if not entry.holds}
        return [text for kind, text in looked.items() if kind in kinds - bad]

    @property
    def sentences(self) -> list[str]:
        """Page one in one to three sentences."""
        said = [self.lead]
        if self.binding:
            said.append(f"Nearest to its bound: {self.binding[0].words}.")
        return [*said, *self.advice[:1]]

    @property
    def broken(self) -> bool:
        """Whether an expectation or an answer fails, or a part is taken beyond its limit."""
        kinds = ("expectation", "limit", "answer")
        return any(not entry.holds and entry.kind in kinds for entry in self.judgements)


def front_of(found: Sequence[AnsweredSection]) -> Front:
    """Return page one of answers."""
    every = [entry for section in found for entry in section.judgements]
    failing = [entry for entry in every if not entry.holds]
    measured = [entry for entry in every if entry.used is not None]
    binding = sorted(measured, key=lambda entry: -(entry.used or 0.0))[:_MOST_BINDING]
    reservation = "; ".join(text for section in found for text in section.reservations)
    return Front(
        None if not every else not failing,
        _lead(every, failing, reservation, found),
        tuple(sorted(every, key=lambda entry: entry.holds)),
        tuple(binding),
        tuple(text for section in found for text in section.advice),
        (
            *(entry.words for entry in failing if entry.danger),
            *(text for one in found for text in one.dangers),
        ),
        reservation,
    )


def _lead(
    every: Sequence[Judgement],
    failing: Sequence[Judgement],
    reservation: str,
    found: Sequence[AnsweredSection],
) -> str:
    if not every and len(found) == 1:
        return next(iter(found[0].sentences))
    beside = f" {reservation[:1].upper()}{reservation[1:]}." if reservation else ""
    if not every:
        return (
            "Not judged: nothing that was asked here has a bound; ask more sections, or add an [[expect]]."
            + beside
        )
    if failing:
        verb = "does" if len(failing) == 1 else "do"
        return (
            f"No: {len(failing)} of {len(every)} demands {verb} not hold. First: {failing[0].words}.{beside}"
        )
    hold = f"all {len(every)} demands hold ({_counted(every)})"
    if reservation:
        return f"Yes while nothing fails: {hold}; but {reservation}.{_open(found)}"
    return f"Yes: {hold}.{_open(found)}"


def _open(found: Sequence[AnsweredSection]) -> str:
    """Return what belongs to a verdict and has no answer here."""
    answered = {section.section.name for section in found if not section.reason}
    asked = {
        "expectations": "whether the scenario's expectations hold",
        "faults": "what happens when something fails",
    }
    texts = [text for name, text in asked.items() if name not in answered]
    return f" Not answered here: {' and '.join(texts)}." if texts else ""


def _counted(every: Sequence[Judgement]) -> str:
    names = {
        "expectation": "expectation",
        "rating": "rating",
        "limit": "limit",
        "interlock": "interlock",
        "stability": "stable loop",
    }
    kinds = [entry.kind for entry in every]
    counts = [(kinds.count(kind), name) for kind, name in names.items() if kind in kinds]
    return ", ".join(f"{count} {name}{'' if count == 1 else 's'}" for count, name in counts)
