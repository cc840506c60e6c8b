"""One thing that is asked of a bench, and whether it holds: what a summary of all answers is made of."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["Judgement"]


@dataclass(frozen=True)
class Judgement:
    """Whether one thing that is asked of a bench holds."""

    kind: Literal["expectation", "rating", "limit", "interlock", "stability", "answer"]
    holds: bool
    words: str
    """In a sentence without a full stop."""
    used: float | None = None
    """Share of its bound that is used, 1 at the bound; nothing where that says nothing. [1]"""

    @property
    def danger(self) -> bool:
        """Whether parts or people are at risk because it does not hold."""
        return not self.holds and self.kind in ("limit", "interlock", "stability")
