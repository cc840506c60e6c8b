"""Colours of figures on light and on dark paper, with enough contrast by construction."""

import colorsys
from collections.abc import Iterable

__all__ = ["DARK", "LIGHT", "MARKS", "TEXT", "contrast", "legible", "rules"]

LIGHT, DARK = "#ffffff", "#14171c"
"""Paper."""
TEXT, MARKS = 4.6, 4.0
"""Least contrast of text, and of marks on dark paper: WCAG 2.2, 1.4.3 (4.5) and 1.4.11 (3)."""
_GREY = 0.06
"""Saturation below which a colour is paper, grid or ink, whose lightness turns over with the paper."""
_TINT, _DIM = 0.85, 0.24
"""Lightness from which a colour is a tint of the paper, and that of such a tint on dark paper."""
_STEPS = 200


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, by WCAG 2.2 [1].

    Parameters
    ----------
    one, other : str
        ``#rrggbb``.
    """
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def legible(colour: str, paper: str, least: float) -> str:
    """Return a colour of the same hue with a contrast to the paper.

    Parameters
    ----------
    colour, paper : str
        ``#rrggbb``.
    least : float
        Contrast ratio. [1]
    """
    hue, light, saturation = colorsys.rgb_to_hls(*_parts(colour))
    end = 1.0 if paper == DARK else 0.0
    for step in range(_STEPS + 1):
        mixed = light + (end - light) * step / _STEPS
        found = _hex(colorsys.hls_to_rgb(hue, mixed, saturation))
        if contrast(found, paper) >= least:
            return found
    raise AssertionError(f"black and white stand out from {paper}")


def rules(colours: Iterable[str]) -> tuple[str, str]:
    """Return CSS rules for figures: for the light page (text only) and on top of them for the dark one.

    Parameters
    ----------
    colours : iterable of str
        All that the figures use, ``#rrggbb``.
    """
    light, dark = [], []
    for colour in sorted(set(colours)):
        turned = _on_dark(colour)
        if contrast(colour, LIGHT) < TEXT and not _grey(colour):
            light.append(f'.fig text[fill="{colour}"]{{fill:{legible(colour, LIGHT, TEXT)}}}')
        if turned != colour:
            dark += [f'.fig [{key}="{colour}"]{{{key}:{turned}}}' for key in ("fill", "stroke")]
        dark.append(f'.fig text[fill="{colour}"]{{fill:{legible(turned, DARK, TEXT)}}}')
    return "\n".join(light), "\n".join(dark)


def _on_dark(colour: str) -> str:
    if not _grey(colour):
        hue, light, saturation = colorsys.rgb_to_hls(*_parts(colour))
        if light > _TINT:
            return _hex(colorsys.hls_to_rgb(hue, _DIM, 0.6 * saturation))
        return legible(colour, DARK, MARKS)
    # White paper becomes dark paper and black ink becomes nearly white; what lies between keeps its order.
    ends = [_parts(DARK), (0.93, 0.93, 0.93)]
    share = 1.0 - sum(_parts(colour)) / 3.0
    red, green, blue = (low + (high - low) * share for low, high in zip(*ends, strict=True))
    return _hex((red, green, blue))


def _grey(colour: str) -> bool:
    parts = _parts(colour)
    return max(parts) - min(parts) <= _GREY


def _parts(colour: str) -> tuple[float, float, float]:
    red, green, blue = (int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    return red, green, blue


def _hex(parts: tuple[float, float, float]) -> str:
    return "#" + "".join(f"{round(255.0 * part):02x}" for part in parts)


def _luminance(colour: str) -> float:
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in _parts(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
