"""Units: what is read, exactly, and what is refused, with what advice."""

import math
from fractions import Fraction

import pytest

from shaftloop.scenario.units import UnitError, parse_quantity, read_quantity, unit_factor

TORQUE = (
    "5 Nm",
    "5 N m",
    "5 N·m",
    "5 N*m",
    "5 N⋅m",
    "5N m",
    "5\u00a0N m",
    "5000 mN m",
    "5000 mNm",
    "5e-3 kN m",
    "+5. Nm",
)


@pytest.mark.parametrize("text", TORQUE)
def test_spellings_of_a_torque(text: str) -> None:
    assert read_quantity(text, ("N m",)) == (5, "N m")


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("19.2 kHz", "Hz", Fraction(19200)),
        ("0.1 MHz", "Hz", Fraction(100_000)),
        ("500 µs", "s", Fraction(1, 2000)),
        ("500 μs", "s", Fraction(1, 2000)),
        ("500 us", "s", Fraction(1, 2000)),
        ("1 ns", "s", Fraction(1, 10**9)),
        ("0.3 s", "s", Fraction(3, 10)),
        ("2 min", "s", Fraction(120)),
        ("3 samples", "sample", Fraction(3)),
        ("1.5 sample", "sample", Fraction(3, 2)),
        ("32 g cm^2", "kg m^2", Fraction(32, 10**7)),
        ("32 g cm²", "kg m^2", Fraction(32, 10**7)),
        ("35 kN m/rad", "N m/rad", Fraction(35000)),
        ("35 kN m / rad", "N m/rad", Fraction(35000)),
        ("2 N m s/rad", "N m s/rad", Fraction(2)),
        ("2 N m s²/rad²", "N m s^2/rad^2", Fraction(2)),
        ("2 N m s**2/rad**2", "N m s^2/rad^2", Fraction(2)),
        ("2 mΩ", "ohm", Fraction(2, 1000)),
        ("2 m\u2126", "ohm", Fraction(2, 1000)),
        ("4 µH", "H", Fraction(4, 10**6)),
        ("60 mWb", "Wb", Fraction(6, 100)),
        ("0.12 V s", "Wb", Fraction(12, 100)),
        ("1.2 kW", "W", Fraction(1200)),
        ("20 µm", "m", Fraction(2, 10**5)),
        ("79.3 GPa", "Pa", Fraction(79_300_000_000)),
        ("7.85 g/cm^3", "kg/m^3", Fraction(7850)),
        ("3 mN m/√Hz", "N m/rtHz", Fraction(3, 1000)),
        ("3 mN m/rtHz", "N m/rtHz", Fraction(3, 1000)),
        ("5 %", "1", Fraction(1, 20)),
        ("0.3 1", "1", Fraction(3, 10)),
        ("340 1/s", "1/s", Fraction(340)),
        ("340 /s", "1/s", Fraction(340)),
        ("6 1/min", "1/s", Fraction(1, 10)),
        ("1000 kg/(m s^2)", "Pa", Fraction(1000)),
    ],
)
def test_value_is_exact(text: str, unit: str, value: Fraction) -> None:
    assert read_quantity(text, (unit,)) == (value, unit)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1500 rpm", "rad/s", 1500 * 2 * math.pi / 60),
        ("1500 rev/min", "rad/s", 1500 * 2 * math.pi / 60),
        ("90 deg/s", "rad/s", math.pi / 2),
        ("90 °/s", "rad/s", math.pi / 2),
        ("2 N m/deg", "N m/rad", 360 / math.pi),
        ("600 rpm/s", "rad/s^2", 20 * math.pi),
    ],
)
def test_angles_are_converted(text: str, unit: str, value: float) -> None:
    assert float(read_quantity(text, (unit,))[0]) == pytest.approx(value, rel=4e-16, abs=0)


def test_a_float_is_the_one_nearest_to_the_text() -> None:
    for text in ("0.021 kg m^2", "606.2177826491071 kg m^2", "1e-7 kg m^2"):
        assert float(read_quantity(text, ("kg m^2",))[0]) == float(text.split()[0])


@pytest.mark.parametrize(
    ("text", "units", "advice"),
    [
        ("1500 1/min", ("rad/s",), "for a speed write rpm"),
        ("1500 1/min", ("Hz",), "for a frequency write Hz"),
        ("25 1/s", ("Hz",), "for a frequency write Hz"),
        ("25 Hz", ("rad/s",), "the unit Hz does not fit; expected rpm or rad/s"),
        ("25 Hz", ("1/s",), "the unit Hz does not fit; expected 1/s"),
        ("1500 rpm", ("Hz",), "a speed is no frequency"),
        ("6 rad/s", ("Hz",), "a speed is no frequency"),
        ("35 N m", ("N m/rad",), "a stiffness is a torque per angle"),
        ("35 N m/rad", ("N m",), "the unit N m/rad does not fit; expected N m"),
        ("5 J", ("N m",), "the unit J does not fit; expected N m: for a torque write N m"),
        ("5 nm", ("N m",), "nm is a length; for a torque write Nm"),
        ("0.12 N m/A", ("Wb",), "the unit N m/A does not fit; expected Wb"),
        ("5 N m/s", ("W",), "the unit N m/s does not fit; expected W"),
        ("3 samples", ("s",), "the unit samples does not fit; expected s"),
        ("3 rad", ("1", "s"), "expected a bare number or % or s"),
        ("1,5 s", ("s",), "a comma in a number; write a decimal point"),
        ("20,000 rpm", ("rad/s",), "a comma in a number"),
        ("1.5", ("s",), "the unit is missing; expected s"),
        ("nan s", ("s",), "not a finite number"),
        ("-inf s", ("s",), "not a finite number"),
        ("1e31 s", ("s",), "the number is too long: at most 40 digits and an exponent within ±30"),
        ("1e99999 s", ("s",), "the number is too long"),
        ("1" * 41 + " s", ("s",), "the number is too long"),
        ("5 rp", ("rad/s",), 'unknown unit "rp"; nearest: rpm; expected rpm or rad/s'),
        ("5 RPM", ("rad/s",), "nearest: rpm"),
        ("5 U/min", ("rad/s",), "write rpm"),
        ("5 sec", ("s",), "write s"),
        ("5 N m sec", ("s",), 'unknown unit "sec"; write s'),
        ("5 xyzzy", ("s",), "known: m, cm, mm"),
        ("5 N m/rad s", ("N m s/rad",), "can be read in two ways; write brackets below the line"),
        ("5 s/", ("s",), "nothing stands below the line"),
        ("5 N m^2.5", ("N m",), "write a product such as"),
        ("5 m^-2", ("m",), "write a product such as"),
        ("5 \x07", ("s",), r"unknown unit '\x07'"),
        ("1_000 s", ("s",), "not a number with a unit; expected s"),
        ("1 2 s", ("s",), "not a number with a unit"),
        ("1.5.2 s", ("s",), "not a number with a unit"),
        ("٣ s", ("s",), "not a number with a unit"),
        ("", ("s",), "not a number with a unit"),
        ("s", ("s",), "not a number with a unit"),
    ],
)
def test_refused(text: str, units: tuple[str, ...], advice: str) -> None:
    with pytest.raises(UnitError) as caught:
        read_quantity(text, units)
    assert advice in str(caught.value)


def test_the_unit_that_fits_is_told() -> None:
    assert read_quantity("3 samples", ("s", "sample")) == (3, "sample")
    assert read_quantity("7 N m s/rad", ("1", "N m s/rad"))[1] == "N m s/rad"


def test_parse_leaves_the_dimension_open() -> None:
    assert parse_quantity("3.5 N m/rad") == (Fraction(7, 2), "N m/rad")
    with pytest.raises(UnitError, match=r'write it as, e\.g\., "1\.5 kHz"'):
        parse_quantity("nothing")


def test_angle_frequency_and_voltage_are_dimensions_of_their_own() -> None:
    units = (
        "1",
        "rad",
        "N m",
        "N m/rad",
        "1/s",
        "Hz",
        "rad/s",
        "W",
        "N m/s",
        "Wb",
        "N m/A",
        "N m/rtHz",
        "sample",
    )
    assert len({unit_factor(unit)[0] for unit in units}) == len(units)
