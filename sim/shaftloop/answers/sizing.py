"""Whether every part stands what is asked of it, and what else would do."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from shaftloop.analysis.lateral import Bending, find_bending
from shaftloop.answers.base import Answer, Watch, unwatched
from shaftloop.cautions import cautions
from shaftloop.figures import Figure, by_name
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.linksizing import LinkSize, size_link
from shaftloop.studies.sizing import Sized, size_figures, size_parts

__all__ = ["SizeAnswer", "find_sizes"]


@dataclass(frozen=True)
class SizeAnswer(Answer):
    """What is asked of every part, left to right."""

    sized: tuple[Sized, ...]
    faults: bool
    """Whether faults were looked at."""
    bending: tuple[Bending, ...]
    """What bends, left to right."""
    link: tuple[LinkSize, ...] = ()
    """How small the capacitor of a link may be whose voltage is a state, and how large its resistors."""

    @property
    def short(self) -> list[Sized]:
        """What does not serve, worst first."""
        return sorted((entry for entry in self.sized if entry.serves is False), key=lambda entry: -entry.used)

    @property
    def serves(self) -> bool:
        """Whether every part stands what is asked, and the link keeps its bounds."""
        return not self.short and not any(entry.short for entry in self.link)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What no rating replaces."""
        return cautions("guards", "loose parts")

    @property
    def notes(self) -> tuple[str, ...]:
        """What counts as stiff because nothing is stated."""
        return tuple(
            f"{entry.part} counts as carried stiffly on the {' and the '.join(entry.stiff_ends)}, where no "
            "radial stiffness is stated, so its critical speed is an upper bound; give left_stiffness and "
            "right_stiffness, or radial_stiffness of the coupling beside it"
            for entry in self.bending
            if entry.stiff_ends
        )

    @property
    def figures(self) -> dict[str, Figure]:
        """The share of what each part stands that is used, e.g. ``c1.torque.used``; bounds of the link."""
        return size_figures(self.sized) | by_name(entry.figure for entry in self.link)


def find_sizes(
    scenario: Scenario, files: Sequence[Path] = (), *, faults: bool = True, watch: Watch = unwatched
) -> SizeAnswer:
    """Hold every part of a bench against what the sequence, and faults if asked for, ask of it.

    Part files may take the place of one that does not serve; the shipped ones where there are none.
    """
    with watch("trying faults") as progress:
        found = size_parts(scenario.description, files, faults=faults, progress=progress)
    with watch("sizing the link") as progress:
        link = size_link(scenario.description, progress)
    return SizeAnswer(scenario, found, faults, find_bending(scenario.description), link)
