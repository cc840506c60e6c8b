"""Figures that a bench would hardly have, for what must be said of them all the same."""

from copy import copy

from shaftloop.analysis.margins import Margins

__all__ = ["changed"]


def changed(margins: Margins, **figures: object) -> Margins:
    """Return margins with some figures given in place of found.

    Parameters
    ----------
    margins : Margins
        Of a loop.
    **figures
        By name.
    """
    other = copy(margins)
    other.__dict__.update(figures)
    return other
