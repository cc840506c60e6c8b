"""Simulator for regenerative back-to-back test benches.

`read` a scenario and ask the bench: `TestBench.show`, `TestBench.simulate`, `TestBench.modes`,
`TestBench.margins`, `TestBench.tune`, `TestBench.fidelity`, `TestBench.uncertainty`, `TestBench.sensors`,
`TestBench.faults`, `TestBench.size`, `TestBench.identify`, `TestBench.check`; `study` asks one question of
many benches, `response` asks logs without any bench. Answers are frozen dataclasses; inside, every number is
in SI units.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shaftloop.interface import TestBench, read, response, study

__all__ = ["TestBench", "read", "response", "study"]


def __getattr__(name: str) -> Any:
    """Load the interface when it is first asked for: commands that do not need it stay quick."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from shaftloop import interface

    return getattr(interface, name)


def __dir__() -> list[str]:
    """Return what the package offers."""
    return sorted([*globals(), *__all__])
