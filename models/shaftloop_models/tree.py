"""The line as a graph: bodies, and springs that join each to what comes after it.

A spring strains by a linear combination of the angles at its ends, ``φ = θl − Σ r·θr``: one right end in a
chain and behind a gear (r its ratio), two behind a differential (r half its ratio), which get equal torques.
The bodies are numbered so that what is left of a spring comes before what is right of it: the line is a tree.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.line import Spring

__all__ = ["Joint", "Tree"]


@dataclass(frozen=True)
class Joint:
    """A spring and the bodies that it joins."""

    part: str
    spring: Spring
    left: int
    rights: tuple[int, ...]

    @property
    def share(self) -> float:
        """Torque at each right end over that at the left end."""
        return self.spring.ratio / len(self.rights)


@dataclass(frozen=True)
class Tree:
    """What is beside what in a line."""

    joints: tuple[Joint, ...]

    @cached_property
    def _into(self) -> dict[int, int]:
        """Number of the spring that leads to each body but the first."""
        return {right: number for number, joint in enumerate(self.joints) for right in joint.rights}

    @property
    def bodies(self) -> int:
        """Number of bodies."""
        return len(self._into) + 1

    def way(self, body: int) -> tuple[int, ...]:
        """Return the springs from a body to the leftmost one, in this order."""
        found = []
        while body in self._into:
            found.append(self._into[body])
            body = self.joints[found[-1]].left
        return tuple(found)

    def line_of(self, body: int) -> tuple[int, ...]:
        """Return a body and those on the way to the leftmost one, in this order."""
        return (body, *(self.joints[number].left for number in self.way(body)))

    def behind(self, number: int) -> frozenset[int]:
        """Return the bodies that a spring leads to."""
        return frozenset(body for body in range(self.bodies) if number in self.way(body))

    def apart(self, first: int, second: int) -> int:
        """Return the number of springs between two bodies."""
        return len(set(self.way(first)) ^ set(self.way(second)))

    def between(self, body: int, number: int) -> tuple[int, ...]:
        """Return the bodies from one up to a spring, both ends of that way included.

        Parameters
        ----------
        body : int
            Where the way begins.
        number : int
            Of the spring.
        """
        up = self.line_of(body)
        if number in self.way(body):
            return up[: self.way(body).index(number) + 1]
        down = self.line_of(self.joints[number].left)
        meet = next((other for other in up if other in down), None)
        assert meet is not None, "all ways end at the leftmost body"
        return (*up[: up.index(meet)], *reversed(down[: down.index(meet) + 1]))

    def lever(self, body: int, number: int) -> float:
        """Return the torque in a spring, as its left end has it, per torque on a body that meets resistance.

        In a chain it is +1 for what is left of the spring and -1 for what is right of it. What one output of
        a differential gives to the other changes its sign.

        Parameters
        ----------
        body : int
            That the torque acts on.
        number : int
            Of the spring.
        """
        share = [joint.share for joint in self.joints]
        up = self.way(body)
        if number in up:
            return -1.0 / float(np.prod([share[i] for i in up[: up.index(number) + 1]]))
        down = self.way(self.joints[number].left)
        over = float(np.prod([share[i] for i in down if i not in up]))
        under = float(np.prod([share[i] for i in up if i not in down]))
        ends = [self._end(start, other) for start, other in ((body, down), (self.joints[number].left, up))]
        return (1.0 if ends[0] == ends[1] else -1.0) * over / under

    def _end(self, body: int, others: Sequence[int]) -> int:
        """Return where the way from a body meets that of another, whose springs are given."""
        for number in self.way(body):
            if number in others:
                break
            body = self.joints[number].left
        return body

    def handed(self, inertias: Sequence[float], body: int) -> NDArray[np.float64]:
        """Return what every spring hands on of a slow torque on a body, shape (springs,) [N m/N m].

        Nothing but inertia, and a fixed end where there is one, holds against it: the springs are rigid.

        Parameters
        ----------
        inertias : sequence of float
            Of the bodies, without end where one is fixed. [kg m^2]
        body : int
            That the torque acts on.
        """
        ties = np.zeros((len(self.joints), self.bodies))
        for number, joint in enumerate(self.joints):
            ties[number, joint.left] = 1.0
            ties[number, list(joint.rights)] = -joint.share
        moved = ties / np.asarray(inertias)
        return np.asarray(np.linalg.solve(moved @ ties.T, moved[:, body]))

    def pieces(self, broken: Collection[int] = ()) -> list[tuple[int, ...]]:
        """Return the bodies that hang together, in groups.

        Parameters
        ----------
        broken : collection of int
            Numbers of the springs that join nothing any more.
        """
        group = list(range(self.bodies))
        for number, joint in enumerate(self.joints):
            if number not in broken:
                first = group[joint.left]
                merged = {group[right] for right in joint.rights}
                group = [first if one in merged else one for one in group]
        return [tuple(b for b in range(self.bodies) if group[b] == one) for one in dict.fromkeys(group)]

    @cached_property
    def rows(self) -> tuple[tuple[tuple[int, int], ...], ...]:
        """The line as rows to draw: each of pairs of body and the spring that leads to it.

        The first row begins with the leftmost body, every other one with the body that it branches off, which
        stands in an earlier row; the spring of a beginning is -1.
        """
        return tuple(tuple(row) for row in self._rows(0, [(0, -1)]))

    def _rows(self, body: int, row: list[tuple[int, int]]) -> Iterator[list[tuple[int, int]]]:
        onward = [
            (right, n) for n, joint in enumerate(self.joints) if joint.left == body for right in joint.rights
        ]
        more = [self._rows(right, [(body, -1), (right, number)]) for right, number in onward[1:]]
        if onward:
            right, number = onward[0]
            yield from self._rows(right, [*row, (right, number)])
        else:
            yield row
        for rows in more:
            yield from rows
