"""Recorded traces."""

import math

import pytest

from shaftloop.scenario import traces

STEP = 'do = "step"\nloop = "torque"\nto = "50 N m"\n'
TRACE = 'do = "trace"\nloop = "torque"\nfile = "run.csv"\ncolumn = "torque [N m]"\n'
CSV = "time [s],speed [rpm],torque [N m]\n0,10,1\n0.5,20,2.5\n\n1.25,30,-4e0\n"


@pytest.fixture
def csv(bench):
    def write(text: str, encoding: str = "utf-8") -> None:
        (bench.folder / "run.csv").write_text(text, encoding=encoding, newline="")

    write(CSV)
    return write


def test_points_are_read_in_si_units(bench, csv) -> None:
    trace = bench.read((STEP, TRACE)).description.sequence[1]
    assert (trace.times, trace.values) == ((0.0, 0.5, 1.25), (1.0, 2.5, -4.0))
    step = TRACE.replace("torque [N m]", "speed [rpm]").replace('loop = "torque"', 'loop = "speed"')
    trace = bench.read((STEP, step)).description.sequence[1]
    assert trace.values == pytest.approx([n * 2 * math.pi / 60 for n in (10, 20, 30)], rel=1e-15)


def test_windows_file_with_a_byte_order_mark(bench, csv) -> None:
    csv(CSV.replace("\n", "\r\n"), "utf-8-sig")
    assert bench.read((STEP, TRACE)).description.sequence[1].times == (0.0, 0.5, 1.25)


def test_content_of_a_trace_counts_for_the_hash(bench, csv) -> None:
    plain = bench.read((STEP, TRACE)).hash
    csv(CSV.replace("2.5", "2.6"))
    assert bench.read((STEP, TRACE)).hash != plain


def test_trace_counts_for_the_length_of_the_run(bench, csv) -> None:
    (warning,) = bench.read((STEP, TRACE)).warnings
    assert warning.endswith("the sequence takes 1.55 s, the run ends after 1 s")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("run.csv", "ran.csv", 'sequence.1.file: no file "ran.csv" beside the scenario'),
        ("run.csv", "/tmp/run.csv", 'sequence.1.file: "/tmp/run.csv" must be a relative path'),
        (
            "torque [N m]",
            "torqe [N m]",
            'sequence.1.column: the file has no column "torqe [N m]"; nearest: torque [N m]; it has: speed',
        ),
        (
            "torque [N m]",
            "speed [rpm]",
            'sequence.1.column: "speed [rpm]": the unit rpm does not fit; expected N m',
        ),
    ],
)
def test_step_that_names_the_wrong_thing(bench, csv, old: str, new: str, says: str) -> None:
    message = bench.message((STEP, TRACE.replace(old, new)))
    assert says in message and message.startswith("bench.toml:")


def test_column_without_a_unit(bench, csv) -> None:
    csv(CSV.replace("torque [N m]", "torque"))
    message = bench.message((STEP, TRACE.replace("torque [N m]", "torque")))
    assert message.endswith(
        'sequence.1.column: "torque" states no unit; name it in brackets, e.g. "torque [N m]"'
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (CSV.replace("time [s]", "time"), 'the file starts with "time"; its first column must be time [s]'),
        ("", "the file starts with nothing; its first column must be time [s]"),
        (CSV.replace("0.5,", "0,"), "run.csv:3: time 0.0 s does not rise: the row before has 0.0 s"),
        (CSV.replace("\n0,", "\n-1,"), "run.csv:2: time -1.0 s is negative; let the trace start at 0 s"),
        (CSV.replace("2.5", "nan"), 'run.csv:3: "nan" is no number; write a decimal point and no unit'),
        (CSV.replace("2.5", "1e300"), 'run.csv:3: "1e300" is no finite number'),
        (CSV.replace("2.5", "2;5"), 'run.csv:3: "2;5" is no number; write a decimal point and no unit'),
        (CSV.replace("20,2.5", "20"), "run.csv:3: 2 columns where 3 are needed"),
        ("time [s],torque [N m]\n0,1\n", "run.csv:2: a trace needs at least two rows of numbers"),
        (CSV.replace("2.5", "1_0"), 'run.csv:3: "1_0" is no number'),
        (CSV.replace("2.5", "\u0662"), 'run.csv:3: "\u0662" is no number'),
        (CSV.replace("2.5", "2\u202e5"), r"run.csv:3: the character '\u202e' in a cell; take it out"),
        (CSV.replace("2.5", "2\x005"), r"run.csv:3: the character '\x00' in a cell; take it out"),
        ("a" * 200_000, "run.csv:1: not a CSV file: field larger than field limit"),
        (
            "time [s],torque [N m]\n0," + "1" * 200_000,
            "run.csv:2: not a CSV file: field larger than field limit",
        ),
    ],
    ids=range(15),
)
def test_bad_trace_is_named(bench, csv, text: str, says: str) -> None:
    csv(text)
    assert says in bench.message((STEP, TRACE))


def test_a_column_that_is_there_twice(bench, csv) -> None:
    csv(CSV.replace("speed [rpm]", "torque [N m]"))
    message = bench.message((STEP, TRACE))
    assert message.endswith('sequence.1.column: 2 columns are named "torque [N m]"; leave one')


def test_file_that_is_no_text_or_too_large(bench, csv, monkeypatch: pytest.MonkeyPatch) -> None:
    (bench.folder / "run.csv").write_bytes(b"time [s],torque [N m]\n0,\xff\n")
    assert "run.csv:2: byte 0xff is no UTF-8 text" in bench.message((STEP, TRACE))
    monkeypatch.setattr(traces, "MAX_TRACE_BYTES", 10)
    assert bench.message((STEP, TRACE)).endswith("run.csv: larger than 1e-05 MB, the largest size allowed")


def test_trace_for_a_loop_that_does_not_exist_is_still_read(bench, csv) -> None:
    message = bench.message((STEP, TRACE.replace('loop = "torque"', 'loop = "torqe"')))
    assert 'sequence.1.loop: no loop "torqe"' in message
