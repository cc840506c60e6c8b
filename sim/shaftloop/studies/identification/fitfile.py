"""The result of a fit as `shaftloop identify` wrote it, read again."""

import json
from dataclasses import dataclass
from pathlib import Path

__all__ = ["FitFile", "Told", "read_fit"]


@dataclass(frozen=True)
class Told:
    """A value of the bench that a log told."""

    path: str
    unit: str
    value: float
    """[unit]"""
    deviation: float
    """Standard deviation. [unit]"""
    low: float
    """Of the 95 % interval. [unit]"""
    high: float
    """[unit]"""
    alone: bool
    """Whether the log told it apart from all others."""


@dataclass(frozen=True)
class FitFile:
    """What a fit.json holds of the bench."""

    told: tuple[Told, ...]
    contradicted: bool
    """Whether its log contradicts the bench."""


def read_fit(path: Path) -> FitFile:
    """Return what a fit found of the bench.

    Parameters
    ----------
    path : Path
        fit.json of ``shaftloop identify``.

    Raises
    ------
    ValueError
        In words, where it is no such file.
    """
    try:
        document = json.loads(path.read_text("utf-8"))
        told = tuple(
            Told(
                str(entry["path"]),
                str(entry["value"]["unit"]),
                float(entry["value"]["value"]),
                float(entry["standard_deviation"]["value"]),
                float(entry["low"]["value"]),
                float(entry["high"]["value"]),
                entry["path"] not in document["not_told_alone"],
            )
            for entry in document["parameters"]
            if entry["value"]["value"] is not None and not entry["path"].startswith("log.")
        )
        return FitFile(told, bool(document["contradicted"]))
    except OSError as error:
        raise ValueError(f"cannot be read: {error.strerror}") from None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise ValueError("no result of identify; give the fit.json that it wrote") from None
