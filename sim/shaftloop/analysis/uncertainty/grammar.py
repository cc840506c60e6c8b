"""Expressions of a measurement file: a small arithmetic, parsed here and never handed to Python.

::

    sum     = product (("+" | "-") product)*
    product = sign (("*" | "/") sign)*
    sign    = ("+" | "-") sign | power
    power   = atom ["**" sign]
    atom    = number | name | function "(" sum ("," sum)* ")" | "(" sum ")"

As in any textbook ``-x**2`` is −(x²) and ``a**b**c`` is a**(b**c). The result is a list of instructions for a
stack, so that evaluating a long sum needs no recursion.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.units import NUMBER_PATTERN

__all__ = ["CONSTANTS", "FUNCTIONS", "LONGEST", "ExpressionError", "Instruction", "evaluate", "parse"]

Array = NDArray[np.float64]

FUNCTIONS: dict[str, Callable[..., Any]] = {
    "abs": np.abs, "acos": np.arccos, "asin": np.arcsin, "atan": np.arctan, "atan2": np.arctan2,
    "cos": np.cos, "cosh": np.cosh, "exp": np.exp, "hypot": np.hypot,
    "kelvin": lambda celsius: celsius + 273.15, "log": np.log, "log10": np.log10,
    "max": np.maximum, "min": np.minimum, "sin": np.sin, "sinh": np.sinh, "sqrt": np.sqrt, "tan": np.tan,
    "tanh": np.tanh,
}  # fmt: skip
"""What an expression may call; ``log`` is the natural logarithm, ``kelvin`` takes a temperature in °C."""
CONSTANTS = {"pi": float(np.pi)}
LONGEST = 2000
"""Largest number of characters."""

_TWO = ("atan2", "hypot", "max", "min")
_DEEPEST = 40
_TOKEN = re.compile(
    rf"\s*(?:(?P<number>{NUMBER_PATTERN.removeprefix('[+-]?')})|(?P<name>[A-Za-z_][A-Za-z0-9_]*)|(?P<sign>\*\*|[-+*/(),]))"
)
_OPERATIONS: dict[str, Callable[..., Any]] = {
    "+": np.add, "-": np.subtract, "*": np.multiply, "/": np.divide, "**": np.power, "negate": np.negative,
}  # fmt: skip
_SYMBOLS = {
    "^": "; write ** for a power",
    "·": "; write * for a product",
    "×": "; write * for a product",
    "−": "; write - for a minus sign",
    "=": "; write only what stands to the right of the equals sign",
    "%": "; write 0.01 for 1 %",
    "[": "; write round brackets",
    ".": "; attributes do not exist here",
}


class ExpressionError(ValueError):
    """A text that is no expression; the message says where."""


@dataclass(frozen=True)
class Instruction:
    """One step on the stack."""

    code: str
    """``number``, ``name``, an operation or a function."""
    arity: int
    """How many values it takes from the stack."""
    position: int
    """In the text, counted from 1."""
    value: float = 0.0
    """Of a number."""
    name: str = ""
    """Of a name."""


def parse(text: str, names: Sequence[str]) -> tuple[Instruction, ...]:
    """Return the instructions of an expression in some names; an ExpressionError has position and advice."""
    if len(text) > LONGEST:
        raise ExpressionError(
            f"{len(text)} characters; at most {LONGEST}: split it into several measurements"
        )
    return _Parser(text, names).program()


def evaluate(program: Sequence[Instruction], values: Mapping[str, Any]) -> Any:
    """Return the value of an expression from `parse`, of numbers or arrays by name."""
    stack: list[Any] = []
    for step in program:
        if step.code == "number":
            stack.append(step.value)
        elif step.code == "name":
            stack.append(values[step.name])
        else:
            arguments = stack[-step.arity :]
            del stack[-step.arity :]
            stack.append((_OPERATIONS.get(step.code) or FUNCTIONS[step.code])(*arguments))
    return stack[0]


class _Parser:
    def __init__(self, text: str, names: Sequence[str]) -> None:
        self.names = names
        self.tokens = _tokens(text)
        self.place = 0
        self.depth = 0
        self.done: list[Instruction] = []

    def program(self) -> tuple[Instruction, ...]:
        self._sum()
        kind, text, position = self.tokens[self.place]
        if kind != "end":
            advice = (
                "; write * between the factors of a product"
                if kind in ("number", "name") or text == "("
                else ""
            )
            raise ExpressionError(f"at {position}: {shown(text)} is not expected here{advice}")
        return tuple(self.done)

    def _take(self, *wanted: str) -> tuple[str, int] | None:
        kind, text, position = self.tokens[self.place]
        if kind == "sign" and text in wanted:
            self.place += 1
            return text, position
        return None

    def _left(self, part: Callable[[], None], *signs: str) -> None:
        part()
        while found := self._take(*signs):
            part()
            self.done.append(Instruction(found[0], 2, found[1]))

    def _sum(self) -> None:
        self._left(self._product, "+", "-")

    def _product(self) -> None:
        self._left(self._sign, "*", "/")

    def _sign(self) -> None:
        self.depth += 1
        if self.depth > _DEEPEST:
            raise ExpressionError(f"at {self.tokens[self.place][2]}: nested more than {_DEEPEST} levels deep")
        if found := self._take("+", "-"):
            self._sign()
            if found[0] == "-":
                self.done.append(Instruction("negate", 1, found[1]))
        else:
            self._power()
        self.depth -= 1

    def _power(self) -> None:
        self._atom()
        if found := self._take("**"):
            self._sign()
            self.done.append(Instruction("**", 2, found[1]))

    def _atom(self) -> None:
        kind, text, position = self.tokens[self.place]
        self.place += 1
        if kind == "number":
            self.done.append(Instruction("number", 0, position, float(text)))
        elif kind == "name" and self.tokens[self.place][1] == "(":
            self._call(text, position)
        elif kind == "name" and text in self.names:
            self.done.append(Instruction("name", 0, position, name=text))
        elif kind == "name" and text in CONSTANTS:
            self.done.append(Instruction("number", 0, position, CONSTANTS[text]))
        elif kind == "name":
            raise ExpressionError(f"at {position}: unknown name {shown(text)}{self._hint(text)}")
        elif text == "(":
            self._sum()
            self._close()
        else:
            what = "the expression ends" if kind == "end" else f"{shown(text)} stands"
            raise ExpressionError(f"at {position}: {what} where a number, a name or a bracket is due")

    def _hint(self, text: str) -> str:
        if text in FUNCTIONS:
            return f": a function; write {text}(...)"
        return nearest(text, self.names) or f"; known: {', '.join([*self.names, *CONSTANTS])}"

    def _call(self, name: str, position: int) -> None:
        if name not in FUNCTIONS:
            if name in self.names:
                raise ExpressionError(f"at {position}: {shown(name)} is no function; write * for a product")
            known = ", ".join(FUNCTIONS)
            raise ExpressionError(f"at {position}: unknown function {shown(name)}; known: {known}")
        self.place += 1
        count = 1
        self._sum()
        while self._take(","):
            self._sum()
            count += 1
        self._close()
        wanted = 2 if name in _TWO else 1
        if count != wanted:
            raise ExpressionError(f"at {position}: {name} takes {wanted} value(s), not {count}")
        self.done.append(Instruction(name, wanted, position))

    def _close(self) -> None:
        if not self._take(")"):
            raise ExpressionError(f"at {self.tokens[self.place][2]}: a closing bracket is missing here")


def _tokens(text: str) -> list[tuple[str, str, int]]:
    """Return (kind, text, position from 1), with an end at the end."""
    found, place = [], 0
    text = text.rstrip()
    while place < len(text):
        match = _TOKEN.match(text, place)
        if match is None:
            start = place + len(text[place:]) - len(text[place:].lstrip())
            advice = _SYMBOLS.get(text[start], "")
            raise ExpressionError(f"at {start + 1}: {shown(text[start])} is not known here{advice}")
        kind = str(match.lastgroup)
        found.append((kind, match[kind], match.start(kind) + 1))
        place = match.end()
    return [*found, ("end", "", len(text) + 1)]
