"""Units: what is read, exactly, and what is refused, with what advice."""

import math
from fractions import Fraction
from pathlib import Path

import pytest

import shaftloop.scenario.units
from shaftloop.scenario.units import UnitError, parse_quantity, read_quantity, unit_factor

UNIT_FILE = Path(shaftloop.scenario.units.__file__).with_name("units.txt")

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
        ("3 1/degC", "1/K", Fraction(3)),
        ("3 N m/°C", "N m/K", Fraction(3)),
        ("3 kg °C", "kg K", Fraction(3)),
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
        ("10 °C", ("K",), "expected K: a difference of temperatures is written in K"),
        ("10 degC", ("1/s",), "the unit degC does not fit"),
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
        (
            "0.3 PLN/kWh",
            ("EUR/J", "USD/J"),
            'unknown unit "PLN"; convert a price to a currency that is known; expected EUR/kWh or USD/kWh',
        ),
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


# Every spelling in the unit file with its worth in base units, typed by hand from what SI units and prefixes
# mean (from memory) and not from that file. rad, Hz, V, °C and sample count as base units here.
WORTH = {
    "m": {
        "m meter": 1, "cm centimeter": 1e-2, "mm millimeter": 1e-3, "um micrometer": 1e-6,
        "nm nanometer": 1e-9,
    },
    "m^3": {"L liter": 1e-3, "mL milliliter": 1e-6},
    "kg": {"kg kilogram": 1, "g gram": 1e-3, "mg milligram": 1e-6, "ug microgram": 1e-9, "t tonne": 1e3},
    "s": {
        "s second": 1, "ms millisecond": 1e-3, "us microsecond": 1e-6, "ns nanosecond": 1e-9,
        "min minute": 60, "h hour": 3600,
    },
    "K": {"K kelvin": 1},
    "degC": {"degC": 1},
    "rad": {
        "rad radian": 1, "mrad milliradian": 1e-3, "urad microradian": 1e-6, "deg degree": math.pi / 180,
        "rev revolution": 2 * math.pi,
    },
    "rad/s": {"rpm": math.pi / 30},
    "Hz": {"Hz hertz": 1, "kHz kilohertz": 1e3, "MHz megahertz": 1e6, "GHz gigahertz": 1e9},
    "rtHz": {"rtHz": 1},
    "kg m/s^2": {
        "N newton": 1, "uN micronewton": 1e-6, "mN millinewton": 1e-3, "kN kilonewton": 1e3,
        "MN meganewton": 1e6,
    },
    "kg m^2/s^2": {"Nm": 1, "uNm": 1e-6, "mNm": 1e-3, "kNm": 1e3, "MNm": 1e6},
    "kg/(m s^2)": {
        "Pa pascal": 1, "hPa hectopascal": 1e2, "kPa kilopascal": 1e3, "MPa megapascal": 1e6,
        "GPa gigapascal": 1e9, "bar": 1e5, "mbar millibar": 1e2,
    },
    "V": {
        "V volt": 1, "kV kilovolt": 1e3, "mV millivolt": 1e-3, "uV microvolt": 1e-6, "nV nanovolt": 1e-9,
    },
    "A": {
        "A ampere": 1, "kA kiloampere": 1e3, "mA milliampere": 1e-3, "uA microampere": 1e-6,
        "nA nanoampere": 1e-9,
    },
    "V A": {"W watt": 1, "mW milliwatt": 1e-3, "kW kilowatt": 1e3, "MW megawatt": 1e6},
    "V A s": {
        "J joule": 1, "mJ millijoule": 1e-3, "kJ kilojoule": 1e3, "MJ megajoule": 1e6,
        "Wh": 3.6e3, "kWh": 3.6e6,
    },
    "V/A": {"ohm": 1, "kohm kiloohm": 1e3, "Mohm megaohm": 1e6, "mohm milliohm": 1e-3, "uohm microohm": 1e-6},
    "V s": {"Wb weber": 1, "mWb milliweber": 1e-3},
    "A s/V": {"F farad": 1, "mF millifarad": 1e-3, "uF microfarad": 1e-6, "nF nanofarad": 1e-9},
    "V s/A": {"H henry": 1, "mH millihenry": 1e-3, "uH microhenry": 1e-6},
    "EUR": {"EUR euro": 1}, "USD": {"USD": 1}, "GBP": {"GBP": 1}, "CHF": {"CHF": 1}, "JPY": {"JPY yen": 1},
    "sample": {"sample samples": 1},
    "1": {"percent": 1e-2, "ppm": 1e-6},
}  # fmt: skip


def test_every_unit_of_the_unit_file_has_its_worth() -> None:
    listed: list[str] = []
    for base, units in WORTH.items():
        for spellings, worth in units.items():
            for name in spellings.split():
                listed.append(name)
                dimension, factor = unit_factor(name)
                assert dimension == unit_factor(base)[0], name
                assert float(factor) == pytest.approx(worth, rel=1e-15), name
    lines = UNIT_FILE.read_text(encoding="utf-8").splitlines()
    parts = [line.split(" = ") for line in lines if " = " in line and not line.startswith("#")]
    defined = [name for long, _, *symbol in parts for name in (long, *symbol) if name.isalpha()]
    assert sorted(listed) == sorted(defined)
