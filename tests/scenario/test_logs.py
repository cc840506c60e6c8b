"""Logs as devices write them: read as stated, refused where something is left open."""

import re
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from shaftloop.errors import ScenarioError
from shaftloop.scenario.logs import reading
from shaftloop.scenario.logs.binary import MdfFile
from shaftloop.scenario.logs.reading import Log, factor_to, read_log
from shaftloop.scenario.logs.spelling import known_unit, split_header
from shaftloop.scenario.logs.stamps import read_stamps

GERMAN = "Messung 3;;\nZeit;M_ist;n\nms;N.m;U/min\n0;1,5;1500\n0,5;-2,25;1501\n\n1;---;1502\n"


def write(folder: Path, text: str, name: str = "run.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def refusal(path: Path, *options: str) -> str:
    with pytest.raises(ScenarioError) as caught:
        read_log(path, options).table()
    return str(caught.value)


def shown(log: Log) -> list[tuple[str, str | None]]:
    return [(column.channel, column.unit) for column in log.columns]


def test_a_log_is_read_as_the_table_beside_it_states(tmp_path: Path) -> None:
    path = write(tmp_path, GERMAN)
    table = """
        [log]
        delimiter = ";"
        decimal = ","
        names = 2
        units = 3
        time = "Zeit"
        missing = ["---"]
        [[log.column]]
        header = "M_ist"
        channel = "reading"
        sign = -1
    """
    write(tmp_path, table, "run.toml")
    log = read_log(path, ["column.n.channel=drive_speed"])
    assert shown(log) == [("reading", "N m"), ("drive_speed", "rpm")]
    found = log.table()
    np.testing.assert_allclose(found.time, [0.0, 0.0005, 0.001])
    np.testing.assert_allclose(found.values[:, 0], [-1.5, 2.25, np.nan])
    assert factor_to(log, log.columns[0], "N m") == 1.0
    assert factor_to(log, log.columns[1], "rad/s") == pytest.approx(np.pi / 30.0)
    assert log.places == (str(tmp_path / "run.toml"), "`log`")


def test_options_say_the_same_as_the_table(tmp_path: Path) -> None:
    path = write(tmp_path, GERMAN)
    options = ["delimiter=;", "decimal=,", "names=2", "units=3", "time=Zeit", 'missing=["---"]']
    assert np.isnan(read_log(path, options).table().values[2, 0])
    wide = ["delimiter=;", "decimal=,", "names=0", "first=4", "rate=2 kHz", 'missing=["---"]']
    found = read_log(path, wide).table()
    np.testing.assert_allclose(found.time, [0.0, 0.0005, 0.001])
    assert [column.header for column in found.columns] == ["1", "2", "3"]


def test_a_table_elsewhere_names_its_log(tmp_path: Path) -> None:
    write(tmp_path, "time [s],a (V)\n0,1\n1,2\n")
    elsewhere = write(tmp_path, '[log]\nfile = "run.csv"\n', "how.toml")
    assert shown(read_log(elsewhere)) == [("a", "V")]
    assert "log.file is missing" in refusal(write(tmp_path, "[log]\n", "none.toml"))
    assert "no table [log]" in refusal(write(tmp_path, "a = 1\n", "other.toml"))
    assert "must stay inside" in refusal(write(tmp_path, '[log]\nfile = "../x.csv"\n', "out.toml"))


def test_blocks_give_the_same_as_the_whole(tmp_path: Path) -> None:
    rows = np.column_stack([np.arange(50) / 100.0, np.random.default_rng(1).normal(size=(50, 2))])
    text = "time [s],a [V],b [V]\n" + "\n".join(",".join(map(repr, row)) for row in rows.tolist()) + "\n\n"
    log = read_log(write(tmp_path, text))
    blocks = [np.column_stack(block) for block in log.blocks(log.columns, rows=7)]
    assert len(blocks) == 8
    np.testing.assert_array_equal(np.concatenate(blocks), rows)


def test_every_kind_of_file_holds_the_same(tmp_path: Path) -> None:
    import pyarrow
    import pyarrow.parquet

    time, a = np.arange(5) * 0.1, np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    np.savez(tmp_path / "run.npz", time=time, a=a, units=np.array([("time", "s"), ("a", "Nm")]))
    names = ["time [s]", "a [Nm]"]
    pyarrow.parquet.write_table(pyarrow.table([time, a], names=names), tmp_path / "run.parquet")
    rows = zip(time.tolist(), a.tolist(), strict=True)
    write(tmp_path, "time [s],a [Nm]\n" + "\n".join(f"{x!r},{y!r}" for x, y in rows))
    for name in ("run.npz", "run.parquet", "run.csv"):
        log = read_log(tmp_path / name)
        assert shown(log) == [("a", "N m")]
        found = log.table()
        np.testing.assert_allclose(found.time, time)
        np.testing.assert_array_equal(found.values[:, 0], a)


@pytest.mark.parametrize("stamp", ["2024-03-01T12:00:00.001", "01.03.2024 12:00", "12:00:00.001"])
def test_dates_are_no_numbers(tmp_path: Path, stamp: str) -> None:
    path = write(tmp_path, f"time [s],a [Nm]\n{stamp},1\n")
    with pytest.raises(ScenarioError, match="is a date or a time of day; state time_format"):
        read_log(path).table()


@pytest.mark.filterwarnings("error::pytest.PytestUnraisableExceptionWarning")
def test_mdf(tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    time, a = np.arange(5) * 0.1, np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    with asammdf.MDF(version="4.10") as file:
        file.append([asammdf.Signal(a, time, name="M", unit="Nm")])
        file.save(tmp_path / "run.mf4")
    log = read_log(tmp_path / "run.mf4")
    assert shown(log) == [("M", "N m")]
    np.testing.assert_allclose(log.table().values[:, 0], a)
    np.testing.assert_allclose(log.table().time, time)
    assert "the file has the groups 0 to 0" in refusal(tmp_path / "run.mf4", "group=3")
    pieces = [values[:, 0].tolist() for _, values in log.blocks(log.columns, 2)]
    assert pieces == [[1.0, 2.0], [4.0, 8.0], [16.0]]
    whole = (tmp_path / "run.mf4").read_bytes()
    for length in (12, 100, 400):
        (tmp_path / "broken.mf4").write_bytes(whole[:length])
        assert "no MDF file" in refusal(tmp_path / "broken.mf4")
    with asammdf.MDF(version="4.10") as file:
        file.save(tmp_path / "empty.mf4")
    assert "it holds no group of channels" in refusal(tmp_path / "empty.mf4")


def test_a_package_that_is_not_there_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shaftloop.scenario.logs.binary.find_spec", lambda _: None)
    (tmp_path / "run.mf4").write_bytes(b"MDF     4.10")
    assert 'install "shaftloop[mdf]", or export the log as CSV' in refusal(tmp_path / "run.mf4")
    assert MdfFile.blocks.__doc__


def test_objects_are_never_unpickled(tmp_path: Path) -> None:
    np.savez(tmp_path / "run.npz", time=np.arange(3.0), a=np.array([{}, {}, {}], dtype=object))
    assert "Python objects, which are not read" in refusal(tmp_path / "run.npz")
    (tmp_path / "no.npz").write_bytes(b"PK\x03\x04")
    assert "no NPZ file of plain arrays" in refusal(tmp_path / "no.npz")
    (tmp_path / "no.parquet").write_bytes(b"PAR1")
    assert "no Parquet file" in refusal(tmp_path / "no.parquet")
    np.savez(tmp_path / "uneven.npz", **{"time [s]": np.arange(3.0)}, a=np.arange(4.0))
    assert "columns of 3 and 4 rows" in refusal(tmp_path / "uneven.npz")


def test_a_nan_counts_only_where_it_is_stated(tmp_path: Path) -> None:
    values = np.array([1.0, np.nan, 3.0])
    np.savez(tmp_path / "run.npz", **{"time [s]": np.arange(3.0)}, a=values)
    assert "row 2 of the numbers holds one that is not finite; where NaN stands" in refusal(
        tmp_path / "run.npz"
    )
    np.testing.assert_array_equal(
        read_log(tmp_path / "run.npz", ['missing=["nan"]']).table().values[:, 0], values
    )
    np.savez(tmp_path / "timeless.npz", **{"time [s]": values}, a=np.arange(3.0))
    assert "row 2 of the numbers has no time" in refusal(tmp_path / "timeless.npz", 'missing=["nan"]')


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        ("t,a [V]\n0,1\n", [], 'no column of time is named "time", the first one is "t"'),
        ("time [s];a [V]\n0;1\n", [], "the columns are not told apart: state delimiter"),
        ("time,a [V]\n0,1\n", [], 'the time states no unit; name it "time [s]"'),
        ("time [V],a [V]\n0,1\n", [], 'the time is in "V": the unit V does not fit; expected s'),
        ("time [s],a [V]\n0,1\n1,nan\n", [], 'run.csv:3: "nan" is no number; where it stands for no value'),
        ("time [s],a [V]\n0,1\n1,\n", [], 'missing = ["empty"]'),
        ('time [s],a [V]\n0,1\n1,"2,5"\n', [], 'run.csv:3: "2,5" has a decimal comma; state it'),
        ("time [s];a [V]\n0;1.234,5\n", ["delimiter=;", "decimal=,"], "no thousands signs"),
        ("time [s],a [V]\n0,1\n", ["decimal=,"], 'state delimiter = ";"'),
        ("time [s],a [V]\n0,1,2\n", [], "run.csv:2: 3 columns where the header has 2"),
        ("time [s],a [V]\n0,1\n", ["names=9"], "2 lines; line 9 of the names is missing"),
        ("time [s],a\nV\n0,1\n", ["units=2"], "run.csv:2: 1 units for 2 names"),
        ("time [s],a [V]\n0,1\n", ["delimter=;"], "delimter: unknown key; nearest: delimiter"),
        ("time [s],a [V]\n0,1\n", ["delimiter"], "write key=value"),
        ("time [s],a [V]\n0,1\n", ["column.a.sine=-1"], "name a column and a key of it"),
        ("time [s],a [V]\n0,1\n", ["names.a=-1"], '"names.a" is no key of a log'),
        (
            "time [s],a [V]\n0,1\n",
            ["column.a.sign=2"],
            "2 is out of range; allowed: at least -1 and at most 1",
        ),
        ("time [s],a [V]\n0,1\n", ["column.a.sign=0"], "column.a.sign = 0: write 1 or -1"),
        ("time [s],a [V]\n0,1\n", ["column.b.sign=-1"], 'log.column: no column "b"'),
        (
            "time [s],a [V],b [V]\n0,1,1\n",
            ["column.a.channel=x", "column.b.channel=x"],
            'two columns show "x"; leave one out',
        ),
        ("x" * 200_000, [], "a line of more than 100000 characters"),
    ],
)
def test_what_is_left_open_is_refused(tmp_path: Path, text: str, options: list[str], message: str) -> None:
    assert message in refusal(write(tmp_path, text), *options)


def test_a_wrong_table_is_named_with_its_line(tmp_path: Path) -> None:
    path = write(tmp_path, "time [s],a [V]\n0,1\n")
    write(tmp_path, '[log]\ndecimal = ";"\n', "run.toml")
    assert 'run.toml:2: log.decimal: ";" is not one of: ., ,' in refusal(path)
    assert "`log` decimal" in refusal(path, "decimal=:") or "`log`: decimal" in refusal(path, "decimal=:")


@pytest.mark.parametrize(
    "text", ["log = 3", "[log]\ncolumn = 3", "[log]\ncolumn = [3]", "[log.column]\na = 1"]
)
def test_a_table_of_another_shape_is_refused(tmp_path: Path, text: str) -> None:
    path = write(tmp_path, "time [s],a [V]\n0,1\n")
    write(tmp_path, text + "\n", "run.toml")
    assert "run.toml:" in refusal(path, "column.a.sign=-1")


def test_bytes_that_are_no_utf8_are_read_as_stated(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_bytes("time [s],k\u00e4lte [V]\n0,1\n1,2\n".encode("latin-1"))
    assert 'state encoding = "latin-1"' in refusal(path)
    assert shown(read_log(path, ["encoding=latin-1"])) == [("k\u00e4lte", "V")]


def test_a_log_too_long_for_memory_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "_MOST_ROWS", 2)
    assert "more than 2 rows" in refusal(write(tmp_path, "time [s],a [V]\n0,1\n1,1\n2,1\n"))


EXPORT = (
    "Bench 2;;;;\nDate;n;M;State;\n;1/min;N.m;;\n"
    "31.12.2027 23:59:59,9995;600,5;1;RUN;\n01.01.2028 00:00:00,0000;601,5;2;FAULT;\n"
)
"""As a logger exports it: a preamble, dates, a column of words, a separator behind the last one."""
STATED = ("delimiter=;", "decimal=,", "names=2", "units=3")
STAMPED = ("time=Date", "time_format=%d.%m.%Y %H:%M:%S,%f")


def test_dates_are_read_as_their_format_has_them_and_words_are_left_out(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, EXPORT), [*STATED, *STAMPED])
    assert log.texts == ("State",) and shown(log) == [("n", "rpm"), ("M", "N m")]
    table = log.table()
    np.testing.assert_allclose(table.time, [86399.9995, 86400.0], rtol=0.0, atol=1e-9)
    np.testing.assert_array_equal(table.values, [[600.5, 1.0], [601.5, 2.0]])


@pytest.mark.parametrize(
    ("form", "decimal"),
    [
        ("%Y-%m-%dT%H:%M:%S.%f", "."),
        ("%d.%m.%Y %H:%M:%S,%f", ","),
        ("%H:%M:%S.%f", "."),
        ("%m/%d/%Y %H", "."),
    ],
)
def test_dates_of_a_whole_column_are_those_of_its_cells(tmp_path: Path, form: str, decimal: str) -> None:
    """A quotation mark has a block read cell by cell; both ways must agree in every bit."""
    rng, begin = np.random.default_rng(0), datetime(2028, 2, 28, 23, 59, 57, 999000)
    stamps = [begin + timedelta(seconds=float(x)) for x in np.sort(rng.uniform(0.0, 86400.0, 200))]
    cells = [stamp.strftime(form)[: -3 if form.endswith("%f") else None] for stamp in stamps]
    rows = [f"{cell};{i}{decimal}5" for i, cell in enumerate(cells)]
    stated = ["delimiter=;", f"decimal={decimal}", "time=t", f"time_format={form}", "column.v.unit=V"]
    fast, slow = (
        read_log(write(tmp_path, "\n".join(["t;v", first, *rows[1:], ""])), stated).table()
        for first in (rows[0], f'"{cells[0]}";0{decimal}5')
    )
    np.testing.assert_array_equal(fast.time, slow.time)
    np.testing.assert_array_equal(fast.values, slow.values)
    days = [read_stamps([cell], form) for cell in cells]
    assert all(day is not None for day in days)


@pytest.mark.parametrize(
    "cell",
    ["2027-02-29 10:00", "2028-02-29 24:00", "2028-02-2x 10:00", "2028/02/29 10:00", "2028-02-29 1:00"],
)
def test_no_such_time_is_no_stamp(cell: str) -> None:
    assert read_stamps(["2028-02-29 10:00", cell], "%Y-%m-%d %H:%M") is None
    assert read_stamps(["28-02-29"], "%y-%m-%d") is None and read_stamps(["9"], "9") is not None


def test_a_rate_stands_in_for_dates(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, EXPORT), [*STATED, "rate=2 kHz"])
    assert log.texts == ("Date", "State")
    np.testing.assert_array_equal(log.table().time, [0.0, 5e-4])


def test_words_that_are_asked_for_are_refused(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, EXPORT), [*STATED, "rate=2 kHz", "column.State.sign=-1"])
    with pytest.raises(ScenarioError, match=r'run.csv:4: "RUN" is no number'):
        log.table()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["delimiter=;"], "the names seem to stand in line 2: state names = 2, units = 3"),
        ([*STATED, "time=Date"], "time_format for dates and times of day"),
        ([*STATED, "time=Date", "time_format=%Y"], "is not written as time_format has it"),
    ],
)
def test_a_reader_is_led_through_an_export(tmp_path: Path, options: list[str], message: str) -> None:
    with pytest.raises(ScenarioError, match=re.escape(message)):
        read_log(write(tmp_path, EXPORT), options).table()


def test_utf_16_is_told_and_read_as_stated(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text("time [s],a [V]\n0,1\n1,2\n", encoding="utf-16")
    assert 'state encoding = "utf-16"' in refusal(path)
    np.testing.assert_array_equal(read_log(path, ["encoding=utf-16"]).table().values, [[1.0], [2.0]])


def test_units_contradict_or_are_missing(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, "time [s],a [V],b\n0,1,1\n1,1,1\n"))
    with pytest.raises(ScenarioError, match=r"the unit V does not fit.*the channel a is in N m"):
        factor_to(log, log.column("a"), "N m")
    with pytest.raises(ScenarioError, match=r'"b" states no unit; name it like "b \[N m\]"'):
        factor_to(log, log.column("b"), "N m")
    with pytest.raises(ScenarioError, match=r'no column "aa"; nearest: a; it has: a, b'):
        log.column("aa")


def test_spellings() -> None:
    assert [known_unit(text) for text in ("U/min", "1/min", "[min-1]", "N.m", "Nm", "bogus", "1/s")] == [
        *["rpm"] * 3, "N m", "N m", "bogus", "1/s",
    ]  # fmt: skip
    assert split_header("M ist (N m)") == ("M ist", "N m")
    assert split_header("M") == ("M", None)
