"""Cases of the fuzz: a file that is right, broken at one or two places or not at all, and a command.

Every case follows from its number alone. Benches are small and runs short, so that what a command does with
an input that is still right costs little.
"""

import math
import random
import shutil
import sqlite3
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from mutations import broken
from randombench import random_bench
from shaftloop.scenario.shipped import shipped_folder

__all__ = ["KINDS", "WHOLE", "Case", "prepare", "whole_count", "whole_numbers"]

_SCENARIO_VERBS: tuple[tuple[str, ...], ...] = (
    ("simulate",),
    ("simulate", "--method", "rk4"),
    ("modes",),
    ("margins",),
    ("tune", "--loop", "torque"),
    ("check",),
    ("fidelity",),
    ("uncertainty", "--trials", "1000"),
    ("sensors",),
)
_SMALL = (10, 19, 2, 31, 43, 57)
"""Random benches of two bodies."""
_STUDY = """title = "A small study"
scenario = "bench.toml"

[[factor]]
path = "loop.torque.kp"
values = [0.02, 0.05]

[[factor]]
path = "line.ts.latency"
low = "0 us"
high = "500 us"

[design]
kind = "latin_hypercube"
count = 3

[[objective]]
metric = "simulate.torque_overshoot"
goal = "minimise"

[[response]]
metric = "simulate.energy_residual"
"""
_WHOLE_STUDY = """title = "Two gains"
scenario = "bench.toml"

[[factor]]
path = "loop.torque.kp"
low = 0.02
high = 0.05

[design]
kind = "latin_hypercube"
count = 2

[[objective]]
metric = "margins.torque.ms"
goal = "minimise"
"""
_MEASUREMENT = """title = "Torque from a lever and a weight"

[quantity.mass]
value = "20.000 kg"
expanded_uncertainty = "0.4 g"
coverage_factor = 2

[quantity.arm]
value = "500.00 mm"
distribution = "rectangular"
half_width = "0.05 mm"

[quantity.gravity]
value = "9.8100 m/s^2"
standard_uncertainty = "0.0001 m/s^2"

[[measurement]]
name = "torque"
expression = "mass * gravity * arm"
unit = "N m"
"""
_GAINS = '[loop.torque]\nkp = 0.05\nki = "12 1/s"\n\n[loop.speed]\nkp = "0.2 N m s/rad"\n'
_TABLE = "path,value\nloop.torque.kp,0.05\nloop.torque.ki,12 1/s\nloop.speed.kp,0.2 N m s/rad\n"
_TRACE = "time [s],torque [N m],reading [N m]\n0,0,0\n0.004,2,1\n0.01,3,3\n0.02,1,1\n"
_FOLLOW = '\n[[sequence]]\ndo = "trace"\nloop = "torque"\nfile = "run.csv"\ncolumn = "torque [N m]"\n'
_EXPECT = (
    '\n[[expect]]\nmetric = "simulate.torque_overshoot"\nat_most = "400 %"\nrelative_tolerance = "50 %"\n'
)


WHOLE = "whole"
"""Kind of a bench that is not broken, which no command may refuse."""
_COMMANDS: tuple[tuple[str, ...], ...] = (
    ("show",),
    ("modes",),
    ("simulate",),
    ("fidelity",),
    ("uncertainty", "--trials", "1000"),
    ("sensors",),
    ("margins",),
    ("margins", "--map"),
    ("tune",),
    ("check",),
    ("study", "--workers", "1"),
)
_CASES = Path(__file__).parents[3] / "shared" / "cases"
_RANDOM = 60
"""Random benches of two to ten bodies."""


@dataclass(frozen=True)
class Case:
    """One run of a command."""

    number: int
    kind: str
    """Of the file that is broken."""
    file: Path
    arguments: tuple[str, ...]


def _scenario(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    path = folder / "bench.toml"
    path.write_bytes(broken(_bench(rng) + _EXPECT, rng))
    verb, *rest = rng.choice(_SCENARIO_VERBS)
    return path, (verb, str(path), *rest)


def _tuned(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    path = folder / "bench.toml"
    path.write_bytes(broken(_bench(rng), rng))
    return path, ("tune", str(path), "--loop", rng.choice(("torque", "speed")))


def _margins(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    path = folder / "bench.toml"
    path.write_bytes(broken(_bench(rng), rng))
    return path, ("margins", str(path), *rng.choice(((), ("--loop", "torque"), ("--map",))))


def _part(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    shutil.copytree(shipped_folder() / "parts", folder / "parts", dirs_exist_ok=True)
    name = rng.choice(("wheel-hub", "truck-axle", "micro-spindle"))
    text = (shipped_folder() / f"{name}.toml").read_text(encoding="utf-8")
    bench = folder / "bench.toml"
    bench.write_text(text, encoding="utf-8")
    path = folder / rng.choice([entry for entry in sorted(_parts(text))])
    path.write_bytes(broken(path.read_text(encoding="utf-8"), rng))
    verb = rng.choice((("modes",), ("simulate", "--set", "duration=20 ms"), ("margins", "--loop", "torque")))
    return path, (verb[0], str(bench), *verb[1:])


def _parts(text: str) -> set[str]:
    return {line.split('"')[1] for line in text.splitlines() if line.startswith('from = "')}


def _study(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    (folder / "bench.toml").write_text(_bench(rng), encoding="utf-8")
    path = folder / "study.toml"
    path.write_bytes(broken(_STUDY, rng))
    return path, ("study", str(path), "--workers", "1")


def _measurement(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    path = folder / "measurement.toml"
    path.write_bytes(broken(_MEASUREMENT, rng))
    return path, ("uncertainty", str(path), "--trials", "1000")


def _gains(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    bench = folder / "bench.toml"
    bench.write_text(_bench(rng) + _EXPECT, encoding="utf-8")
    name, text = rng.choice((("gains.toml", _GAINS), ("gains.csv", _TABLE)))
    path = folder / name
    path.write_bytes(broken(text, rng))
    return path, ("check", str(bench), "--gains", str(path))


def _trace(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    bench, path = folder / "bench.toml", folder / "run.csv"
    path.write_bytes(broken(_TRACE, rng))
    follow = rng.random() < 0.5
    bench.write_text(_bench(rng) + (_FOLLOW if follow else ""), encoding="utf-8")
    return path, ("simulate", str(bench), *(() if follow else ("--overlay", str(path))))


def _log(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    path = folder / "run.csv"
    rows = "".join(f"{k / 100};{math.sin(k)};{math.cos(1.1 * k)}\n" for k in range(100))
    path.write_bytes(broken(f"time [s];u [V];y [V]\n{rows}", rng))
    form = '[log]\ndelimiter = ";"\nmissing = ["x"]\n\n[[log.column]]\nheader = "u"\nsign = -1\n'
    (folder / "run.toml").write_bytes(broken(form, rng) if rng.random() < 0.5 else form.encode())
    return path, ("identify", "--response", str(path), "--from", "u", "--to", "y")


def _baseline(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    bench = folder / "bench.toml"
    bench.write_text(_bench(rng) + _EXPECT, encoding="utf-8")
    text = (
        'scenario = "bench"\nscenario_hash = "00"\ntool_version = "0.1.0"\n\n[values]\n'
        '"simulate.torque_overshoot" = "12.5 %"\n\n[gains]\n"loop.torque.kp" = "0.05"\n\n'
        '[bench]\n"line.ts" = "ab"\n'
    )
    path = folder / "bench.baseline.toml"
    path.write_bytes(broken(text, rng))
    return path, ("check", str(bench))


def _database(rng: random.Random, folder: Path) -> tuple[Path, tuple[str, ...]]:
    """Break the results of a study that has been run: bytes of the file, or values in its tables."""
    done = folder.parent / "done"
    if not done.is_dir():
        _run_a_study(done)
    shutil.copytree(done, folder, dirs_exist_ok=True)
    path = folder / "out" / "results.sqlite"
    if rng.random() < 0.4:
        path.write_bytes(broken(path.read_bytes().decode("latin-1"), rng)[: 2**20])
    else:
        _tamper(path, rng)
    return path, ("study", str(folder / "study.toml"), "--out", str(folder / "out"), "--workers", "1")


def _run_a_study(folder: Path) -> None:
    from click.testing import CliRunner

    from shaftloop.cli.main import cli

    folder.mkdir(parents=True)
    (folder / "bench.toml").write_text(random_bench(3, 0.01), encoding="utf-8")
    (folder / "study.toml").write_text(_STUDY, encoding="utf-8")
    arguments = ["study", str(folder / "study.toml"), "--out", str(folder / "out"), "--workers", "1"]
    assert CliRunner().invoke(cli, arguments).exit_code == 0


def _tamper(path: Path, rng: random.Random) -> None:
    """Change one value, or drop or rename a column or a table."""
    with sqlite3.connect(path) as store:
        tables = [row[0] for row in store.execute("select name from sqlite_master where type = 'table'")]
        table = rng.choice(sorted(tables))
        column = rng.choice([row[1] for row in store.execute(f'pragma table_info("{table}")')])
        value = rng.choice(("text", -1, 10**12, 1e308, None, b"\xff", "{", "\x1b[2J", "", 0))
        change = rng.choice(
            [f'update "{table}" set "{column}" = ?'] * 4
            + [
                f'alter table "{table}" rename column "{column}" to "x"',
                f'drop table "{table}"',
                f'delete from "{table}"',
            ]
        )
        try:
            store.execute(change, (value,) if "?" in change else ())
        except sqlite3.Error:
            store.execute(f'delete from "{table}"')
    store.close()


def _bench(rng: random.Random) -> str:
    """Return a small bench: what a command does with one that is still right must cost little."""
    return random_bench(rng.choice(_SMALL), 0.01)


KINDS: dict[str, Callable[[random.Random, Path], tuple[Path, tuple[str, ...]]]] = {
    "scenario": _scenario,
    "tune": _tuned,
    "margins": _margins,
    "study": _study,
    "part": _part,
    "measurement": _measurement,
    "gains": _gains,
    "trace": _trace,
    "log": _log,
    "baseline": _baseline,
    "database": _database,
}
"""What is broken; `tune` and `margins` are scenarios for these commands."""


def whole_count() -> int:
    """Return how many cases there are of benches that are not broken."""
    return len(_whole_benches()) * len(_COMMANDS)


def whole_numbers(seed: int) -> range:
    """Return the cases of a random bench that is not broken, one per command.

    Parameters
    ----------
    seed : int
        Of the bench.
    """
    first = _whole_benches().index(seed) * len(_COMMANDS)
    return range(first, first + len(_COMMANDS))


def _whole_benches() -> list[Path | int]:
    """Return the shipped benches, those beside the project where there are any, and seeds of random ones."""
    return [*sorted(shipped_folder().glob("*.toml")), *sorted(_CASES.glob("*.toml")), *range(_RANDOM)]


def _whole(number: int, folder: Path) -> tuple[Path, tuple[str, ...]]:
    place, command = divmod(number, len(_COMMANDS))
    bench, (verb, *rest) = _whole_benches()[place], _COMMANDS[command]
    path = folder / "bench.toml"
    shutil.copytree(shipped_folder() / "parts", folder / "parts")
    text = random_bench(bench) if isinstance(bench, int) else bench.read_text(encoding="utf-8")
    described = tomllib.loads(text)
    if "unit" not in described:
        text = f'unit = "{described["line"][0]["name"]}"\n' + text
    path.write_text(text if "expect" in described else text + _EXPECT, encoding="utf-8")
    if verb == "tune":
        loops = [loop["name"] for loop in described["loop"] if "limiter_of" not in loop]
        rest = [word for loop in loops for word in ("--loop", loop)]
    if verb != "study":
        return path, (verb, str(path), *rest)
    study = folder / "study.toml"
    text = _WHOLE_STUDY.replace("torque", described["loop"][-1]["name"])
    study.write_text(text, encoding="utf-8")
    return study, (verb, str(study), *rest)


def prepare(number: int, folder: Path, kinds: Sequence[str] = tuple(KINDS)) -> Case:
    """Write the files of a case.

    Parameters
    ----------
    number : int
        Of the case; decides everything.
    folder : Path
        Where to; what lies there is thrown away.
    kinds : sequence of str
        Kinds among which the number chooses.
    """
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    kind = kinds[number % len(kinds)]
    if kind == WHOLE:
        return Case(number, kind, *_whole(number, folder))
    file, arguments = KINDS[kind](random.Random(f"{kind} {number}"), folder)
    return Case(number, kind, file, arguments)
