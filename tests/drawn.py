"""Pictures as figures, and the words in them."""

from typing import Any

from matplotlib.figure import Figure

from shaftloop.report.canvas import Picture

__all__ = ["painted", "texts", "words"]


def painted(picture: Picture) -> Figure:
    """Return a picture as a figure that is laid out, not written."""
    figure = Figure(figsize=picture.size, layout="constrained")
    picture.paint(figure)
    figure.draw_without_rendering()
    return figure


def texts(figure: Figure) -> list[Any]:
    """Return the labels inside of a figure."""
    return [text for axes in figure.axes for text in axes.texts if text.get_text()]


def words(picture: Picture) -> str:
    """Return the title of a picture and every word in it."""
    figure = painted(picture)
    axes = figure.axes
    found = [picture.title, *(text.get_text() for text in texts(figure))]
    for part in axes:
        found += [part.get_title(loc="left"), part.get_ylabel(), part.get_xlabel()]
        found += [label.get_text() for label in part.get_yticklabels()]
        legend = part.get_legend()
        found += [text.get_text() for text in legend.get_texts()] if legend else []
    return "\n".join(found)
