"""Text as it may be shown: what would steer a terminal, or reorder a line, is escaped."""

import unicodedata

__all__ = ["escaped", "harmful"]


def harmful(char: str) -> bool:
    """Tell whether a character is a control, or steers the direction of others; spaces of any width are not.

    Parameters
    ----------
    char : str
        One character.
    """
    return not char.isprintable() and unicodedata.category(char) != "Zs"


def escaped(text: str) -> str:
    """Return a text with controls and directional marks spelt out; lines stay lines.

    Parameters
    ----------
    text : str
        From anywhere.
    """
    if text.isprintable():
        return text
    return "".join(c if c == "\n" or not harmful(c) else ascii(c)[1:-1] for c in text)
