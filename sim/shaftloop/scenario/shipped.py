"""The scenarios that come with the package."""

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

__all__ = ["Shipped", "is_shipped", "shipped_folder", "shipped_names", "shipped_scenarios"]


@dataclass(frozen=True)
class Shipped:
    """One shipped scenario."""

    name: str
    """What a command takes."""
    title: str
    """One line."""
    path: Path


@cache
def shipped_folder() -> Path:
    """Return the folder of the shipped scenarios: inside the wheel, else that of the repository."""
    inside = Path(__file__).parent / "shipped"
    return inside if inside.is_dir() else Path(__file__).parents[3] / "scenarios"


def is_shipped(path: Path) -> bool:
    """Return whether a file or folder came with the package, where nothing is to be written beside it."""
    return path.resolve().is_relative_to(shipped_folder().resolve())


def shipped_names() -> list[str]:
    """Return the names of the shipped scenarios, sorted."""
    return sorted(path.stem for path in shipped_folder().glob("*.toml"))


def shipped_scenarios() -> list[Shipped]:
    """Return the shipped scenarios with their titles, sorted by name."""
    found = []
    for name in shipped_names():
        path = shipped_folder() / f"{name}.toml"
        title = tomllib.loads(path.read_text(encoding="utf-8")).get("title", "")
        found.append(Shipped(name, title, path))
    return found
