"""What all tests share: long runs are left out where compilation is switched off."""

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
