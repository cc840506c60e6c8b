"""What all answers have in common."""

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shaftloop.figures import Figure
from shaftloop.scenario.reading import Scenario

if TYPE_CHECKING:
    import pandas

__all__ = ["Answer", "Found", "Watch", "unwatched"]

Watch = Callable[[str], AbstractContextManager[Callable[[float], None] | None]]
"""Takes what is going on and gives, while it does, what is called with the share that is done."""


def unwatched(label: str) -> AbstractContextManager[None]:
    """Show nothing of what is going on."""
    return nullcontext()


@dataclass(frozen=True)
class Found:
    """What was found."""

    @property
    def title(self) -> str:
        """What stands over it."""
        return ""

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader of the answer must know, beyond what looks wrong in the input."""
        return ()

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is to be minded at the bench itself, see `shaftloop.cautions`."""
        return ()

    @property
    def warnings(self) -> tuple[str, ...]:
        """What looks wrong in the input, and what the reader of the answer must know."""
        return self.notes

    @property
    def figures(self) -> dict[str, Figure]:
        """Single figures by name."""
        return {}

    def to_pandas(self) -> "pandas.DataFrame":
        """Return the figures as a table."""
        from shaftloop.answers.frames import figures_frame

        return figures_frame(self.figures)

    def _repr_html_(self) -> str:
        """Return the answer for a notebook: title, notes, figures and the main picture."""
        from importlib import import_module

        # The report lies above the answers; it is asked by name, so that nothing here depends on it.
        shown: str = import_module("shaftloop.report.notebook").shown(self)
        return shown


@dataclass(frozen=True)
class Answer(Found):
    """What was found about a scenario."""

    scenario: Scenario

    @property
    def title(self) -> str:
        """Title of the scenario."""
        return self.scenario.description.title

    @property
    def warnings(self) -> tuple[str, ...]:
        """What looks wrong in the scenario, and what the reader of the answer must know."""
        return (*self.scenario.warnings, *self.notes)
