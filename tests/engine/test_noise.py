"""The counter-based generator against published known answers, and its normal values."""

import math
from typing import Annotated

import numpy as np
import pytest

from shaftloop.engine.compiled.noise import normal_pair, philox
from shaftloop.kernels.arrays import Floats
from shaftloop.kernels.decorators import interpreted, kernel

ALL = 0xFFFFFFFF


@kernel
def words(c0: int, c1: int, c2: int, c3: int, k0: int, k1: int) -> tuple[int, int, int, int]:
    return philox(c0, c1, c2, c3, k0, k1)


@kernel
def fill(out: Annotated[Floats, 2], key: int, number: int) -> None:
    for tick in range(len(out)):
        out[tick, 0], out[tick, 1] = normal_pair(key, tick, number)


def plain_philox(counter: tuple[int, ...], key: tuple[int, ...]) -> tuple[int, ...]:
    """The published algorithm with Python's integers."""
    (a, b, c, d), (k, m) = counter, key
    for _ in range(10):
        first, second = 0xD2511F53 * a, 0xCD9E8D57 * c
        a, b, c, d = second >> 32 ^ b ^ k, second & ALL, first >> 32 ^ d ^ m, first & ALL
        k, m = (k + 0x9E3779B9) & ALL, (m + 0xBB67AE85) & ALL
    return a, b, c, d


@pytest.mark.parametrize(
    ("counter", "key", "answer"),
    [
        ((0, 0, 0, 0), (0, 0), (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
        ((ALL, ALL, ALL, ALL), (ALL, ALL), (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD)),
        (
            (0x243F6A88, 0x85A308D3, 0x13198A2E, 0x03707344),
            (0xA4093822, 0x299F31D0),
            (0xD16CFE09, 0x94FDCCEB, 0x5001E420, 0x24126EA1),
        ),
    ],
)
def test_philox_gives_the_known_answers(
    counter: tuple[int, ...], key: tuple[int, ...], answer: tuple[int, ...]
) -> None:
    assert plain_philox(counter, key) == answer
    assert words(*counter, *key) == answer


def test_philox_equals_plain_integers() -> None:
    rng = np.random.default_rng(1)
    for row in rng.integers(0, 2**32, (200, 6)).tolist():
        assert words(*row) == plain_philox(tuple(row[:4]), tuple(row[4:]))


def test_normal_pair_is_box_and_muller_of_the_words() -> None:
    key, tick, number = 7 << 16 | 2, 5 * 2**32 + 11, 3
    a, b, c, d = plain_philox((11, 5, number, 0), (key, 0))
    u, v = ((a >> 5) * 2**26 + (b >> 6) + 0.5) / 2**53, ((c >> 5) * 2**26 + (d >> 6)) / 2**53
    radius = math.sqrt(-2.0 * math.log(u))
    expected = radius * math.cos(2.0 * math.pi * v), radius * math.sin(2.0 * math.pi * v)
    assert normal_pair(key, tick, number) == pytest.approx(expected, rel=1e-15)


def test_values_are_standard_normal_and_independent() -> None:
    n = 3000 if interpreted() else 20_000
    sets = []
    for key, number in ((1 << 16, 0), (1 << 16, 1), (1 << 16 | 1, 0), (2 << 16, 0)):
        out = np.empty((n, 2))
        fill(out, key, number)
        sets += [out[:, 0], out[:, 1]]
    values = np.array(sets)
    noise = 1.0 / math.sqrt(n)
    assert np.abs(values.mean(axis=1)).max() < 4.0 * noise
    assert np.abs(values.var(axis=1) - 1.0).max() < 4.0 * math.sqrt(2.0) * noise
    assert np.abs((values**4).mean(axis=1) - 3.0).max() < 4.0 * math.sqrt(96.0) * noise
    assert np.abs(np.corrcoef(values) - np.eye(8)).max() < 4.5 * noise
    follows = (values[:, 1:] * values[:, :-1]).mean(axis=1)
    assert np.abs(follows).max() < 4.0 * noise
