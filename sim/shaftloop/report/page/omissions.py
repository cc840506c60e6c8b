"""What is not modelled, and the cautions: as the documents that come with the package say them."""

import re
from functools import cache
from pathlib import Path

from shaftloop.report.terminal import Grid, add_row, new_table

__all__ = ["cautions", "left_out"]


@cache
def _document(name: str) -> str:
    """Return a document: inside the wheel, else that of the repository."""
    inside = Path(__file__).parents[2] / name
    path = inside if inside.is_file() else Path(__file__).parents[4] / name
    return path.read_text(encoding="utf-8")


def left_out() -> tuple[str, Grid]:
    """Return a line on sizes, and the table of what is not modelled."""
    text, lines = _document("docs/limits.md").partition("\n")[2], []
    for line in text.splitlines():
        if line.startswith("|"):
            lines.append([cell.strip().replace("`", "") for cell in line.strip("|").split("|")])
    table = new_table("What is not modelled, and how large it is", *lines[0])
    for cells in lines[2:]:
        add_row(table, *cells)
    return " ".join(text.partition("|")[0].split()).replace("`", ""), table


def cautions() -> list[str]:
    """Return the cautions of a bench."""
    found = re.search(r"^## Cautions\n(.*?)(?=^## )", _document("README.md"), re.M | re.S)
    assert found is not None, "README.md has the heading Cautions"
    return [" ".join(item.split()) for item in re.split(r"^- ", found[1], flags=re.M)[1:]]
