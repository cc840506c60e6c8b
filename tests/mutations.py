"""Ways to break the text of a file, each drawn by a generator of numbers."""

import random
import re
from collections.abc import Callable

__all__ = ["MUTATIONS", "PIECES", "broken"]

PIECES = (
    "nan",
    "inf",
    "-1",
    "0",
    "1e400",
    "1e-400",
    "9" * 50,
    "1,5",
    '"5 furlong"',
    '"1 N m"',
    '"-3 Hz"',
    '"0 s"',
    '""',
    "true",
    "[]",
    "{}",
    "[[]]",
    "{ x = 1 }",
    "1979-05-27",
    '"\\u0000"',
    '"a\\u202eb"',
    "'''\n'''",
    '"1 kN m/deg s"',
    '"5 %"',
    '"drive"',
    '"ts"',
    '"load"',
    '"torque"',
    '"speed"',
    "[[line]]",
    "[loop]",
    "[[hop]]",
    '"3 samples"',
    "0x" + "f" * 40,
    '"../x"',
    '"parts/sensor-1nm.toml"',
    "name",
    "=",
    "\x07",
    "\x00",
    "\ud7ff",
    '"1e30 s"',
    '"1e-30 s"',
    '"1e17 N m/rad"',
)
TOKEN = r'"[^"\n]*"|[\w.-]+|[\[\]{}=,]'
VALUE = r"(?m)(?<= = ).*$"


def _token(text: str, rng: random.Random, pattern: str = TOKEN) -> re.Match[str]:
    """Return one of the matches of a pattern, an empty one at the start where there is none."""
    return rng.choice(list(re.finditer(pattern, text)) or [re.match("", text)])


def swap_token(text: str, rng: random.Random) -> bytes:
    match = _token(text, rng)
    return (text[: match.start()] + rng.choice(PIECES) + text[match.end() :]).encode()


def exchange_tokens(text: str, rng: random.Random) -> bytes:
    first, second = sorted((_token(text, rng), _token(text, rng)), key=lambda match: match.start())
    if first.end() > second.start():
        return text.encode()
    middle = text[first.end() : second.start()]
    return (text[: first.start()] + second[0] + middle + first[0] + text[second.end() :]).encode()


def swap_value(text: str, rng: random.Random) -> bytes:
    match, other = _token(text, rng, VALUE), _token(text, rng, VALUE)
    return (text[: match.start()] + rng.choice([*PIECES, other[0]]) + text[match.end() :]).encode()


def change_number(text: str, rng: random.Random) -> bytes:
    match = _token(text, rng, r"\d+(\.\d+)?")
    number = rng.choice(
        ("0", "-" + match[0], match[0] + "e9", match[0] + "e-12", "1/0", match[0] + "7" * 30, "0.1")
    )
    return (text[: match.start()] + number + text[match.end() :]).encode()


def scale_number(text: str, rng: random.Random) -> bytes:
    """Change a number by up to a hundredfold, which is often still right and always a bench of its own."""
    match = _token(text, rng, r"(?<![\w.])\d+(\.\d+)?(?![\w.])")
    number = f"{float(match[0] or 1.0) * 10.0 ** rng.uniform(-2.0, 2.0):.4g}"
    return (text[: match.start()] + number + text[match.end() :]).encode()


def drop_lines(text: str, rng: random.Random) -> bytes:
    lines = text.split("\n")
    start = rng.randrange(len(lines))
    return "\n".join(lines[:start] + lines[start + rng.choice((1, 1, 2, 5)) :]).encode()


def repeat_lines(text: str, rng: random.Random) -> bytes:
    lines = text.split("\n")
    start = rng.randrange(len(lines))
    block = lines[start : start + rng.choice((1, 8, 20))]
    return "\n".join(lines[:start] + block * rng.choice((2, 3, 30)) + lines[start:]).encode()


def flip_bytes(text: str, rng: random.Random) -> bytes:
    data = bytearray(text.encode() or b" ")
    for _ in range(rng.choice((1, 1, 1, 3))):
        data[rng.randrange(len(data))] = rng.randrange(256)
    return bytes(data)


def cut(text: str, rng: random.Random) -> bytes:
    return text.encode()[: rng.randrange(len(text) + 1)]


MUTATIONS: tuple[Callable[[str, random.Random], bytes], ...] = (
    swap_token,
    exchange_tokens,
    swap_value,
    swap_value,
    change_number,
    change_number,
    scale_number,
    scale_number,
    scale_number,
    drop_lines,
    repeat_lines,
    flip_bytes,
    cut,
)


def broken(text: str, rng: random.Random) -> bytes:
    """Return a text broken once, sometimes twice.

    Parameters
    ----------
    text : str
        Of a file that is right.
    rng : random.Random
        Decides how.
    """
    data = rng.choice(MUTATIONS)(text, rng)
    if rng.random() < 0.3:
        data = rng.choice(MUTATIONS)(data.decode(errors="replace"), rng)
    return data
