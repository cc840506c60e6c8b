"""Every unit of the table against pint, a general-purpose library of units with a table of its own."""

from pathlib import Path

import pint
import pytest

from shaftloop.scenario import units
from shaftloop.scenario.units import unit_factor

TABLE = Path(units.__file__).with_name("units.txt").read_text(encoding="utf-8")
NAMES = [line.split(" = ") for line in TABLE.splitlines() if line and not line.startswith("#")]
OURS = {"rtHz", "samples", "sample", "EUR", "USD", "GBP", "CHF", "JPY", "degC"}
"""Of which pint knows nothing, or which it takes for something else."""
SPELLED = {"Nm": "N*m", "uNm": "uN*m", "mNm": "mN*m", "kNm": "kN*m", "MNm": "MN*m", "rev": "turn"}


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry()


SYMBOLS = sorted({entry[-1] if len(entry) > 2 else entry[0] for entry in NAMES} - OURS)


@pytest.mark.parametrize("symbol", SYMBOLS)
def test_a_unit_is_as_large_as_elsewhere(symbol: str, registry: pint.UnitRegistry) -> None:
    expected = registry.Quantity(1.0, SPELLED.get(symbol, symbol)).to_base_units()
    if symbol.endswith("Hz"):  # pint counts a hertz as a revolution or as 1/s, by version
        expected = registry.Quantity(1.0, symbol).to("1/s")
    assert float(unit_factor(symbol)[1]) == pytest.approx(expected.magnitude, rel=1e-15)
