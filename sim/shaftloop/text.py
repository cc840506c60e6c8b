"""Text as it may be shown: what would steer a terminal, or reorder a line, is spelt out."""

import unicodedata

__all__ = ["escaped", "harmful"]


def harmful(text: str) -> str:
    """Return the first character of a text that is a control or steers the direction of others, else nothing.

    Parameters
    ----------
    text : str
        From anywhere; ends of lines count.
    """
    if text.isprintable():
        return ""
    return next((c for c in text if not c.isprintable() and unicodedata.category(c) != "Zs"), "")


def escaped(text: str, kept: str = "\n") -> str:
    """Return a text with controls and directional marks spelt out.

    Parameters
    ----------
    text : str
        From anywhere.
    kept : str
        Characters that stay: lines stay lines unless this is empty.
    """
    if text.isprintable():
        return text
    return "".join(ascii(c)[1:-1] if c not in kept and harmful(c) else c for c in text)
