"""What a run noted and recorded, as the judge of random events has it."""

from dataclasses import dataclass

from plans import RECORD

__all__ = ["Log", "UndecidedError", "at"]


class UndecidedError(Exception):
    """The records cannot tell."""


@dataclass
class Log:
    """What a run noted and recorded: events as (tick [ns], kind, name), traces by name."""

    events: list[tuple[int, str, str]]
    traces: dict[str, list[float]]
    end: int
    """[ns]"""

    def of(self, name: str, *kinds: str) -> list[tuple[int, str]]:
        return [
            (tick, kind) for tick, kind, own in self.events if own == name and (kind in kinds or not kinds)
        ]


def at(trace: list[float], tick: int, behind: int) -> float:
    """Return what is recorded at a tick, or what its tasks left: that is recorded one later."""
    return trace[min(tick // RECORD + behind, len(trace) - 1)]
