"""From text to description: values, defaults, and errors with their place."""

import dataclasses
from fractions import Fraction
from pathlib import Path

import pytest

from shaftloop.control.parameters import Notch
from shaftloop.errors import ScenarioError
from shaftloop.scenario.derive import validate
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.source import MAX_SCENARIO_BYTES
from shaftloop_models.coupling import Coupling
from shaftloop_models.flywheel import Flywheel
from shaftloop_models.parameters import Delay, Gain
from shaftloop_models.part import kind_of, kinds
from shaftloop_models.torque_sensor import TorqueSensor

KINDS = ", ".join(dict.fromkeys(map(kind_of, kinds())))


def test_values_arrive_in_si_units(bench) -> None:
    scenario = bench.read()
    description = scenario.description
    assert (scenario.name, scenario.path, scenario.warnings) == ("bench", bench.path, ())
    assert scenario.text == bench.path.read_text(encoding="utf-8")
    sensor = description.line[2]
    assert isinstance(sensor, TorqueSensor)
    assert (sensor.stiffness, sensor.sampling, sensor.filter.cutoff) == (60e3, Fraction(8000), 900.0)
    assert description.loop[0].kp == Gain(5.0, "N m s/rad")
    assert description.loop[1].kp == Gain(0.3, "1")
    assert description.loop[1].output_latency == Delay(Fraction(1), in_samples=True)
    assert description.hop[0].period == Fraction(1, 2000)
    assert description.sequence[0].to == pytest.approx(104.71975511965978, rel=1e-15)
    assert description.duration == 1


def test_what_is_not_stated_has_the_default_of_the_part(bench) -> None:
    coupling = bench.read().description.line[3]
    assert coupling == Coupling(part="coupling", name="c2", stiffness=25e3)


def test_description_is_frozen(bench) -> None:
    description = bench.read().description
    with pytest.raises(dataclasses.FrozenInstanceError):
        description.title = "other"


def test_list_of_tables_of_different_kinds(bench) -> None:
    filters = (
        'filters = [{ kind = "notch", frequency = "600 Hz" }, { kind = "low_pass", cutoff = "1 kHz" }]\n'
    )
    loop = bench.read(("kp = 0.3\n", "kp = 0.3\n" + filters)).description.loop[1]
    assert loop.filters[0] == Notch("notch", 600.0)
    assert loop.filters[1].cutoff == 1000.0


LEAF_ERRORS = [
    (
        'inertia = "0.02 kg m^2"',
        "inertia = 0.02",
        'line.drive.inertia: 0.02 has no unit; write it in quotes with one, e.g. "0.02 kg m^2" '
        "(moment of inertia of the rotor [kg m^2], above 0)",
    ),
    (
        'max_speed = "3000 rpm"',
        "max_speed = 3000",
        'line.drive.max_speed: 3000 has no unit; write it in quotes with one, e.g. "3000 rpm" '
        "(largest speed [rad/s], above 0)",
    ),
    (
        'inertia = "0.02 kg m^2"',
        'inertia = "-0.02 kg m^2"',
        'line.drive.inertia: "-0.02 kg m^2" is out of range; allowed: above 0 (moment of inertia of',
    ),
    (
        'stiffness = "60 kN m/rad"',
        'stiffness = "0 N m/rad"',
        'line.ts.stiffness: "0 N m/rad" is out of range',
    ),
    ('stiffness = "60 kN m/rad"', 'stiffness = "60 kN m"', "a stiffness is a torque per angle"),
    ('stiffness = "60 kN m/rad"', 'stiffness = "1e25 N m/rad"', "is beyond any size this quantity can have"),
    (
        'stiffness = "60 kN m/rad"',
        "stiffness = true",
        "line.ts.stiffness: true or false where a quantity is due",
    ),
    ('stiffness = "60 kN m/rad"', "stiffness = [1]", "a list where a quantity is due"),
    (
        'stiffness = "60 kN m/rad"',
        "stiffness = 1979-05-27",
        "datetime.date(1979, 5, 27) where a quantity is due",
    ),
    ("kp = 0.3", "kp = nan", "loop.torque.kp: nan is no finite number of a usual size"),
    ("kp = 0.3", "kp = -inf", "loop.torque.kp: -inf is no finite number"),
    ("kp = 0.3", 'kp = "-30 %"', 'loop.torque.kp: "-30 %" is out of range; allowed: at least 0'),
    ('inertia = "0.02 kg m^2"', 'inertia = "nan kg m^2"', "not a finite number"),
    (
        'part = "coupling"',
        'part = "couplng"',
        f'line.c1.part: "couplng" is not one of: {KINDS}; nearest: coupling',
    ),
    (
        'model = "torque_servo"\n',
        "",
        "line.drive.model: missing: one of brake, combustion_engine, induction, pm_synchronous, torque_servo",
    ),
    (
        'rated = "200 N m"\n',
        "",
        'line.ts.rated: missing: rated torque [N m], above 0; write e.g. rated = "1 N m"',
    ),
    ('damping = "2', 'dampng = "2', "line.c1.dampng: unknown key; nearest: damping; known here: part, name,"),
    (
        'name = "c1"',
        'name = "c 1"',
        'line.1.name: "c 1" is no name; use letters, digits, - and _ only, at most 60',
    ),
    ('unit = "drive"', "unit = 5", "unit: a number where a text is due; write it in quotes"),
    ('title = "Small bench"', 'title = "a\\u0007b"', r"title: 'a\x07b' holds control characters"),
    ('unit = "drive"', 'units = "drive"', "units: unknown key; nearest: unit; known here: title, line,"),
    ("[[hop]]", '[[failure]]\nat = "1 s"\n\n[[hop]]', "failure: unknown key; known here: title, line, unit,"),
    ("order = 2", "order = 2.5", "line.ts.filter.order: 2.5 is no whole number (order; 1 for first_order"),
    ("order = 2", "order = 9", "line.ts.filter.order: 9 is out of range; allowed: at least 1 and at most 8"),
    (
        'duration = "1 s"',
        'duration = "1 s"\nseed = true',
        "seed: true is no whole number".replace("true", "True"),
    ),
    ('duration = "1 s"', 'duration = "1 s"\nseed = 5000000000', "seed: 5000000000 is out of range"),
    (
        'duration = "1 s"',
        'duration = "1 s"\nrecord = { channels = 5 }',
        "record.channels: a number where a list of",
    ),
    ('duration = "1 s"', 'duration = "1 s"\nsupply = 600', "supply: 600 where a table is due"),
    (
        'duration = "1 s"',
        'duration = "1 s"\nsupply = { voltage = "2 kV" }',
        "allowed: above 0 and at most 1500 V",
    ),
    ('over = "0.3 s"', 'over = "0.3 s"\nwait = "no"', 'sequence.0.wait: "no" is neither true nor false'),
    ("kp = 0.3", "kp = 0.3\nfilters = 5", "loop.torque.filters: 5 where a list is due"),
    ("kp = 0.3", "kp = 0.3\nfilters = [5]", "loop.torque.filters.0: 5 where a table is due"),
    (
        "kp = 0.3",
        'kp = 0.3\nfilters = [{ kind = "notsch" }]',
        'filters.0.kind: "notsch" is not one of: low_pass, notch',
    ),
    (
        "kp = 0.3",
        'kp = 0.3\nfilters = [{ kind = "notch" }]',
        "filters.0.frequency: missing: centre [Hz], above 0",
    ),
    (
        "kp = 0.3",
        'kp = 0.3\nfeedforward = "much"',
        'feedforward: "much" is no number (share of a torque set-point',
    ),
    ("kp = 0.3", "kp = 0.3\nfeedforward = inf", "feedforward: inf is no finite number"),
    (
        "kp = 0.3",
        'kp = 0.3\nanti_windup = "condition"',
        "back_calculation, conditional; nearest: conditional",
    ),
    (
        'damping = "2 N m s/rad"',
        'loss_factor_psi = 0.5\nloss_band = ["5 Hz"]',
        'expected a list of two, e.g. ["1 Hz"',
    ),
]


@pytest.mark.parametrize(("old", "new", "says"), LEAF_ERRORS)
def test_bad_values_are_named(bench, old: str, new: str, says: str) -> None:
    message = bench.message((old, new))
    assert says in message
    if new and not new.startswith("[[failure"):
        line = bench.line_of(new.split("\n")[-1])
        assert message.startswith(f"bench.toml:{line}: ")


PART_ERRORS = [
    (
        'damping = "2 N m s/rad"',
        'damping = "2 N m s/rad"\nloss_factor_psi = 0.5',
        "line.c1.damping: give either damping",
    ),
    ("order = 2", "order = 1", "line.ts.filter.order: 1 is outside 2 to 8 for a bessel low-pass"),
    ('kind = "bessel"', 'kind = "first_order"', "line.ts.filter.order: 2 does not fit kind first_order"),
    ('range = "400 N m"', "bits = 16", "line.ts.bits: 16 bits need a range"),
    (
        'filter = { kind = "bessel", order = 2, cutoff = "900 Hz" }',
        'noise_density = "1 mN m/rtHz"',
        "line.ts.noise_density: ",
    ),
    (
        'part = "coupling"\nname = "c2"\nstiffness = "25 kN m/rad"',
        'part = "shaft"\nname = "c2"\ndiameter = "20 mm"',
        "line.c2.length: missing: give diameter and length, or sections",
    ),
    (
        'part = "coupling"\nname = "c2"\nstiffness = "25 kN m/rad"',
        'part = "flywheel"\nname = "c2"',
        "line.c2.inertia: missing: give inertia, or diameter and width",
    ),
]


@pytest.mark.parametrize(("old", "new", "says"), PART_ERRORS)
def test_what_a_part_refuses_is_located(bench, old: str, new: str, says: str) -> None:
    message = bench.message((old, new))
    assert says in message and message.startswith("bench.toml:")


def test_all_errors_at_once_in_the_order_of_the_file(bench) -> None:
    messages = bench.messages(
        ('rated = "200 N m"', "rated = 200"),
        ('title = "Small bench"\n', ""),
        ('acts_on = "load"', 'acts_on = "laod"'),
        ('do = "step"', 'do = "stepp"'),
        ('stiffness = "25 kN m/rad"', 'stiffness = "-1 N m/rad"'),
    )
    assert [message.split(":")[2].strip() for message in messages] == [
        "title",
        "line.c1.stiffness",
        "line.ts.rated",
        "loop.torque.acts_on",
        "sequence.1.do",
    ]
    lines = [int(message.split(":")[1]) for message in messages]
    assert lines == sorted(lines)


def test_an_entry_with_an_error_draws_no_errors_where_it_is_used(bench) -> None:
    assert "line.ts.stiffness" in bench.message(('stiffness = "60 kN m/rad"', 'stiffness = "60"'))
    assert "hop.bus.period" in bench.message(('period = "500 us"', "period = 500"))
    assert "line.load.inertia" in bench.message(('inertia = "0.03 kg m^2"', 'inertia = "heavy"'))


def test_very_many_errors_are_cut_short(bench) -> None:
    extra = "".join(f'[[limit]]\nname = "l{n}"\nwatches = "ts"\nabove = 5\n' for n in range(60))
    messages = bench.messages(extra=extra)
    assert len(messages) == 51
    assert messages[-1] == "bench.toml: and 10 more"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"title = \n", ":1: not valid TOML: Invalid value"),
        (b'title = "a"\nline = [\n', ":3: not valid TOML: "),
        (b'title = "a"\ntitle = "b"\n', ":2: not valid TOML: Cannot overwrite a value"),
        (b'title = "a\x00b"\n', r":1: not valid TOML: Illegal character '\x00'"),
        (b'title = "a"\nunit = "\xff"\n', ":2: byte 0xff is no UTF-8 text; save the file as UTF-8"),
        (b"a = " + b"9" * 5000, ":1: not valid TOML: a number too long or nested too deeply"),
        (b"a = " + b"[" * 5000, ":1: not valid TOML: a number too long or nested too deeply"),
        (b"\na = " + b"[" * 20 + b"]" * 20, ":2: nested more than 12 levels deep"),
        (b"\n\na = 0x" + b"f" * 9000, ":3: a whole number beyond 64 bits"),
        (b"# " + b"x" * MAX_SCENARIO_BYTES, ": larger than 1 MB, the largest size allowed"),
    ],
    ids=range(10),
)
def test_a_file_that_is_no_scenario(bench, data: bytes, says: str) -> None:
    bench.path.write_bytes(data)
    with pytest.raises(ScenarioError) as caught:
        read_scenario(bench.path)
    assert str(caught.value).startswith(str(bench.path) + says)


def test_empty_file_lists_what_is_missing(bench) -> None:
    bench.path.write_text("", encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        read_scenario(bench.path)
    assert [message.split(": ")[1] for message in caught.value.messages] == ["line", "title"]


def test_byte_order_mark_and_windows_line_ends_are_accepted(bench, small_bench: str) -> None:
    bench.path.write_bytes(b"\xef\xbb\xbf" + small_bench.replace("\n", "\r\n").encode())
    assert read_scenario(bench.path).hash == bench.read().hash


def test_a_file_that_cannot_be_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(
        ScenarioError, match=r"no such file and no shipped scenario.*nearest: reference-bench"
    ):
        read_scenario("referense-bench")
    with pytest.raises(ScenarioError, match="nearest: wheel-hub"):
        read_scenario(tmp_path / "wheel-hubs.toml")
    with pytest.raises(
        ScenarioError, match=r": not a file; give a scenario file or one of: .*micro-spindle, "
    ):
        read_scenario(tmp_path)
    for name in ("a\0b", "x" * 5000, "x" * 5000 + ".toml"):
        with pytest.raises(ScenarioError, match="no such file"):
            read_scenario(name)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "reference-bench").mkdir()
    assert read_scenario("reference-bench").name == "reference-bench"


def test_a_file_that_cannot_be_read(bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.read()

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(ScenarioError, match=r"bench\.toml: cannot be read: Permission denied"):
        read_scenario(bench.path)


def test_files_are_named_relative_to_the_working_directory(bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(bench.folder)
    assert bench.message(('unit = "drive"', 'unit = "x"')).startswith("bench.toml:2: unit: ")


def test_hash_follows_what_is_read_and_not_how_it_is_written(bench) -> None:
    plain = bench.read().hash
    assert len(plain) == 64
    assert bench.read(("[[hop]]", "# a comment\n[[hop]]")).hash == plain
    assert bench.read(("kp = 0.3", "kp = 0.31")).hash != plain
    assert bench.read(settings=["loop.torque.kp=0.31"]).hash == bench.read(("kp = 0.3", "kp = 0.31")).hash


def test_equal_entries_are_read_once_and_wrong_ones_every_time() -> None:
    text = {"part": "flywheel", "name": "f", "inertia": "0.01 kg m^2"}
    first, errors = validate(Flywheel, text)
    again, _ = validate(Flywheel, dict(text))
    other, _ = validate(Flywheel, text | {"inertia": "0.02 kg m^2"})
    assert first is again and not errors and other.inertia == 2.0 * first.inertia
    for _ in range(2):
        nothing, errors = validate(Flywheel, text | {"inertia": True})
        assert nothing is None and len(errors) == 1
