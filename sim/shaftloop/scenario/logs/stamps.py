"""Dates and times of day of a whole column at once, where all are written with as many digits."""

import re
from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

__all__ = ["microseconds", "read_stamps"]

_DIGITS = {"Y": 4, "m": 2, "d": 2, "H": 2, "M": 2, "S": 2, "f": 6}
_LEAST = {"Y": 1, "m": 1, "d": 1, "H": 0, "M": 0, "S": 0, "f": 0}
_MOST = {"Y": 9999, "m": 12, "d": 31, "H": 23, "M": 59, "S": 59, "f": 999_999}
_UNSTATED = {"Y": 1900, "m": 1, "d": 1, "H": 0, "M": 0, "S": 0, "f": 0}
"""As `datetime.strptime` has it."""


def microseconds(stamp: datetime) -> int:
    """Return the time of a stamp since 1970 [us]."""
    return int(np.datetime64(stamp, "us").astype(np.int64))


def read_stamps(cells: Sequence[str], form: str) -> NDArray[np.int64] | None:
    """Return times since 1970 [us]; nothing where a cell is not as long as the first, or no such time.

    Parameters
    ----------
    cells : sequence of str
        Without blanks around them.
    form : str
        As of `datetime.strptime`.
    """
    parts = re.split(r"%([YmdHMSf])", form)
    texts, codes = parts[::2], parts[1::2]
    width = len(cells[0])
    # A fraction of a second has the digits that are left.
    spare = width - sum(map(len, texts)) - sum(_DIGITS[code] for code in codes)
    plain = "%" not in "".join(texts) and len(set(codes)) == len(codes) and form.isascii()
    if not plain or not (spare == 0 or (-6 < spare < 0 and "f" in codes)):
        return None
    if any(len(cell) != width or not cell.isascii() for cell in cells):
        return None
    signs = np.frombuffer("".join(cells).encode("ascii"), np.uint8).reshape(-1, width)
    found = {code: np.full(len(cells), value) for code, value in _UNSTATED.items()}
    place = 0
    for i, text in enumerate(texts):
        if np.any(signs[:, place : place + len(text)] != np.frombuffer(text.encode("ascii"), np.uint8)):
            return None
        place += len(text)
        if i == len(codes):
            break
        code = codes[i]
        digits = _DIGITS[code] + (spare if code == "f" else 0)
        numbers = signs[:, place : place + digits].astype(np.int64) - ord("0")
        value = numbers @ 10 ** np.arange(digits - 1, -1, -1) * 10 ** (_DIGITS[code] - digits)
        if np.any((numbers < 0) | (numbers > 9)) or np.any((value < _LEAST[code]) | (value > _MOST[code])):
            return None
        found[code], place = value, place + digits
    months = (found["Y"] - 1970).astype("M8[Y]").astype("M8[M]") + (found["m"] - 1)
    days = months.astype("M8[D]") + (found["d"] - 1)
    if np.any(days.astype("M8[M]") != months):
        return None
    seconds = ((days.astype(np.int64) * 24 + found["H"]) * 60 + found["M"]) * 60 + found["S"]
    return np.asarray(seconds * 1_000_000 + found["f"], np.int64)
