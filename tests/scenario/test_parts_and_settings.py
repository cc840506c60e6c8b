"""``from`` and settings on top."""

import os

import pytest

from shaftloop.scenario.source import MAX_SCENARIO_BYTES

COUPLING = """\
part = "coupling"
stiffness = "25 kN m/rad"
damping = "2 N m s/rad"
inertia_right = "0.001 kg m^2"
"""
OWN = 'part = "coupling"\nname = "c1"\nstiffness = "25 kN m/rad"\ndamping = "2 N m s/rad"\n'
FROM = 'from = "parts/soft.toml"\nname = "c1"\n'


@pytest.fixture
def parts(bench):
    folder = bench.folder / "parts"
    folder.mkdir()
    (folder / "soft.toml").write_text(COUPLING, encoding="utf-8")
    return folder


def test_part_file_gives_the_keys_that_the_entry_leaves_out(bench, parts) -> None:
    entry = FROM + 'stiffness = "30 kN m/rad"\n'
    coupling = bench.read((OWN, entry)).description.line[1]
    assert (coupling.name, coupling.stiffness, coupling.damping) == ("c1", 30e3, 2.0)


def test_tables_are_merged_and_lists_replaced(bench, parts) -> None:
    (parts / "ts.toml").write_text(
        'part = "torque_sensor"\nrated = "200 N m"\nstiffness = "60 kN m/rad"\nsampling = "8 kHz"\n'
        'loss_band = ["1 Hz", "10 Hz"]\ninertia_right = "1e-3 kg m^2"\n[filter]\n'
        'kind = "bessel"\norder = 3\ncutoff = "900 Hz"\n',
        encoding="utf-8",
    )
    entry = 'from = "parts/ts.toml"\nloss_band = ["2 Hz", "20 Hz"]\nfilter = { cutoff = "500 Hz" }\n'
    own = (
        'rated = "200 N m"\nstiffness = "60 kN m/rad"\ninertia_right = "0.0012 kg m^2"\nsampling = "8 kHz"\n'
    )
    stated = 'filter = { kind = "bessel", order = 2, cutoff = "900 Hz" }\n'
    sensor = bench.read(('part = "torque_sensor"\n', ""), (own, entry), (stated, "")).description.line[2]
    assert (sensor.filter.kind, sensor.filter.order, sensor.filter.cutoff) == ("bessel", 3, 500.0)
    assert sensor.loss_band == (2.0, 20.0)


def test_shipped_parts_serve_where_none_lies_beside_the_scenario(bench) -> None:
    entry = 'from = "parts/coupling-elastomer-150nm.toml"\nname = "c1"\n'
    coupling = bench.read((OWN, entry)).description.line[1]
    assert coupling.loss_factor_psi == 0.8


def test_error_in_a_part_file_names_that_file(bench, parts) -> None:
    (parts / "soft.toml").write_text(COUPLING.replace("25 kN m/rad", "25 kN m"), encoding="utf-8")
    message = bench.message((OWN, FROM))
    assert message.startswith('parts/soft.toml:2: line.c1.stiffness: "25 kN m": the unit kN m does not fit')


def test_error_in_an_overriding_key_names_the_scenario(bench, parts) -> None:
    message = bench.message((OWN, FROM + 'stiffness = "30 kN m"\n'))
    assert message.startswith(f"bench.toml:{bench.line_of('30 kN m')}: line.c1.stiffness: ")


def test_key_that_neither_states_is_missed_in_the_scenario(bench, parts) -> None:
    (parts / "soft.toml").write_text('part = "coupling"\n', encoding="utf-8")
    message = bench.message((OWN, FROM))
    assert message.startswith(f"bench.toml:{bench.line_of('[[line]]') + 10}: line.c1.stiffness: missing")


@pytest.mark.parametrize(
    ("name", "says"),
    [
        (
            '"parts/sft.toml"',
            'no file "parts/sft.toml" beside the scenario or among the shipped parts; nearest: parts/soft',
        ),
        ('"/etc/passwd"', "must be a relative path with forward slashes, below the scenario's folder"),
        ('"C:/part.toml"', "must be a relative path with forward slashes"),
        ("'parts\\soft.toml'", "must be a relative path with forward slashes"),
        ('"parts/a\\u0000.toml"', "must be a relative path with forward slashes"),
        ('"../other.toml"', "must stay inside the scenario's folder; leave out the .."),
        ('"parts/../../other.toml"', "must stay inside the scenario's folder"),
        ('"parts"', 'no file "parts" beside the scenario'),
        ("5", '5 is no file name; write e.g. "parts/coupling.toml"'),
    ],
)
def test_file_that_cannot_serve(bench, parts, name: str, says: str) -> None:
    message = bench.message((OWN, f'from = {name}\nname = "c1"\n'))
    assert message.startswith(f"bench.toml:{bench.line_of('from =')}: line.c1.from: ")
    assert says in message


def test_link_out_of_the_folder_is_refused(bench, parts, tmp_path_factory) -> None:
    outside = tmp_path_factory.mktemp("outside") / "secret.toml"
    outside.write_text(COUPLING, encoding="utf-8")
    os.symlink(outside, parts / "link.toml")
    message = bench.message((OWN, 'from = "parts/link.toml"\nname = "c1"\n'))
    assert "is a link that leads out of the scenario's folder" in message


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("stiffness = \n", "parts/soft.toml:1: not valid TOML: "),
        ("# " + "x" * MAX_SCENARIO_BYTES, "parts/soft.toml: larger than 1 MB"),
        (
            'from = "parts/other.toml"\n',
            "line.c1.from: a part file cannot use from itself; copy the keys over",
        ),
    ],
    ids=range(3),
)
def test_part_file_that_is_wrong_as_a_whole(bench, parts, text: str, says: str) -> None:
    (parts / "soft.toml").write_text(text, encoding="utf-8")
    assert says in bench.message((OWN, FROM))


def test_settings_reach_every_kind_of_place(bench) -> None:
    description = bench.read(
        settings=[
            "loop.torque.kp=0.5",
            "loop.torque.kp=0.4",
            "line.ts.filter.cutoff=500 Hz",
            'line.ts.limit="400 N m"',
            "sequence.1.to=60 N m",
            "supply.voltage=400 V",
            "record.channels=['drive.current_q']",
            "loop.1.anti_windup=conditional",
            "seed=3",
        ]
    ).description
    assert description.loop[1].kp.value == 0.4
    assert description.line[2].filter.cutoff == 500.0
    assert description.line[2].limit == 400.0
    assert description.sequence[1].to == 60.0
    assert description.supply.voltage == 400.0
    assert description.record.channels == ("drive.current_q",)
    assert description.loop[1].anti_windup == "conditional"
    assert description.seed == 3


def test_settings_reach_into_a_part_file_and_can_change_it(bench, parts) -> None:
    (parts / "hard.toml").write_text(COUPLING.replace("25 kN", "99 kN"), encoding="utf-8")
    settings = ["line.c1.damping=3 N m s/rad", "line.c1.from=parts/hard.toml"]
    coupling = bench.read((OWN, FROM), settings=settings).description.line[1]
    assert (coupling.stiffness, coupling.damping) == (99e3, 3.0)


@pytest.mark.parametrize(
    ("setting", "says"),
    [
        (
            "loop.torque.kp=abc",
            '`settings` loop.torque.kp=abc: "abc": not a number with a unit; expected a bare number',
        ),
        (
            "loop.torque.kp=-1",
            "`settings` loop.torque.kp=-1: -1 is out of range; allowed: at least 0 (proportional gain)",
        ),
        (
            "loop.torque.kpp=1",
            "`settings` loop.torque.kpp=1: unknown key; nearest: kp; known here: name, acts_on",
        ),
        (
            "loop.torqe.kp=1",
            '`settings` loop.torqe.kp=1: no loop "torqe"; known: speed, torque; nearest: torque',
        ),
        ("sequence.2.to=1", '`settings` sequence.2.to=1: no sequence "2"; known: 0 to 1'),
        ("lop.torque.kp=1", "`settings` lop.torque.kp=1: unknown path; nearest: loop; known: title, line"),
        (
            "loop.torque.kp.x=1",
            "`settings` loop.torque.kp.x=1: loop.1.kp is a value, not a table; leave out .x",
        ),
        ("line.drive.drag.viscus=1", "`settings` line.drive.drag.viscus=1: unknown key; nearest: viscous"),
        (
            "line.drive.dragg.viscous=1",
            "`settings` line.drive.dragg.viscous=1: line.drive.dragg: unknown key; nearest: drag",
        ),
        ("line.ts.filter=5", "`settings` line.ts.filter=5: 5 where a table is due"),
        ("line.ts.filter={ kind = 'bessel' }", "line.ts.filter.cutoff: missing: frequency of -3 dB"),
        ("seed=0x" + "f" * 50, "is no whole number"),
        ("title=a\nb=1", "holds control characters"),
        ("loop.torque.kp", '`settings` "loop.torque.kp": write path=value, e.g. loop.torque.kp=0.4'),
        ("loop..kp=1", "write path=value"),
        (
            "line.c1.from=parts/none.toml",
            '`settings` line.c1.from=parts/none.toml: no file "parts/none.toml"',
        ),
    ],
)
def test_bad_setting_is_named(bench, setting: str, says: str) -> None:
    message = bench.message(settings=[setting])
    assert message.startswith("`settings` ") and says in message
    assert message.isprintable()


def test_setting_in_a_list_that_the_scenario_lacks(bench) -> None:
    limit = '[[limit]]\nname = "overtorque"\nwatches = "ts"\nabove = "300 N m"\n'
    message = bench.message((limit, ""), settings=["limit.overtorque.above=5 N m"])
    assert message.endswith("the scenario has no limit to change; add [[limit]] to the file")
