"""What all tests share: one BLAS thread, as in every command; long runs left out without compilation."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # Read when numpy is loaded: ahead of everything else.
os.environ.pop("COLUMNS", None)  # Workers of pytest set it; what is printed wraps only where a test says so.

import numba
import pytest


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "compiled: too long for kernels that are not compiled")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if numba.config.DISABLE_JIT:
        skip = pytest.mark.skip(reason="too long without compilation")
        for item in items:
            if item.get_closest_marker("compiled"):
                item.add_marker(skip)
