"""What is not modelled, and the cautions: as README.md, which comes with the package, says them."""

import re
from functools import cache
from pathlib import Path

from shaftloop.report.terminal import Grid, add_row, new_table

__all__ = ["cautions", "left_out"]


@cache
def _readme() -> str:
    """Return README.md: inside the wheel, else that of the repository."""
    inside = Path(__file__).parents[2] / "README.md"
    path = inside if inside.is_file() else Path(__file__).parents[4] / "README.md"
    return path.read_text(encoding="utf-8")


def _part(heading: str) -> str:
    found = re.search(rf"^## {re.escape(heading)}.*?\n(.*?)(?=^## |\Z)", _readme(), re.M | re.S)
    assert found is not None, f"README.md has the heading {heading}"
    return found[1]


def left_out() -> tuple[str, Grid]:
    """Return a line on sizes, and the table of what is not modelled."""
    text, lines = _part("What is not modelled"), []
    for line in text.splitlines():
        if line.startswith("|"):
            lines.append([cell.strip().replace("`", "") for cell in line.strip("|").split("|")])
    table = new_table("What is not modelled, and how large it is", *lines[0])
    for cells in lines[2:]:
        add_row(table, *cells)
    return " ".join(text.partition("|")[0].split()).replace("`", ""), table


def cautions() -> list[str]:
    """Return the cautions of a bench."""
    return [" ".join(item.split()) for item in re.split(r"^- ", _part("Cautions"), flags=re.M)[1:]]
