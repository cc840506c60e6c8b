"""Equations that kernels call by their address, when several threads ask for one."""

import time
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest

from shaftloop.kernels import own


def test_threads_that_ask_for_one_equation_at_once_get_one_address(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[object] = []

    def slowly(equation: Any) -> tuple[int, object]:
        time.sleep(0.05)
        made.append(object())
        return id(made[-1]), made[-1]

    def equation(x: np.ndarray, p: np.ndarray, y: np.ndarray) -> None:
        y[0] = x[0]

    monkeypatch.setattr(own, "_MADE", {})
    monkeypatch.setattr(own, "_made", slowly)
    with ThreadPoolExecutor(4) as pool:
        addresses = set(pool.map(own.address_of, [equation] * 4))
    assert addresses == {id(made[0])}
    assert len(made) == 1
