"""Small studies for the tests; a mode of the line needs no compiled kernel."""

from pathlib import Path

from shaftloop.studies.whatif.designs import CandidatePlan
from shaftloop.studies.whatif.execute import execute, run_here
from shaftloop.studies.whatif.reading import Study, read_study
from shaftloop.studies.whatif.store import Entry, open_store

HEAD = """\
scenario = "reference-bench"
settings = ["duration=20 ms"]
expectations = false
"""
STIFFNESS = """\
[[factor]]
path = "line.c1.stiffness"
low = "10 kN m/rad"
high = "40 kN m/rad"
count = 4
"""
PSI = """\
[[factor]]
path = "line.c2.damping"
values = ["1 N m s/rad", "2 N m s/rad", "4 N m s/rad"]
"""
FIGURE = """\
[[response]]
metric = "modes.1.frequency"
"""


def design(kind: str, count: int | None = None, seed: int = 0) -> str:
    return f'[design]\nkind = "{kind}"\nseed = {seed}\n' + ("" if count is None else f"count = {count}\n")


def written(folder: Path, *blocks: str, name: str = "s.toml", scenario: str = "reference-bench") -> Path:
    path = folder / name
    path.write_text(HEAD.replace("reference-bench", scenario) + "".join(blocks), encoding="utf-8")
    return path


def read(folder: Path, *blocks: str) -> tuple[Study, CandidatePlan]:
    study = read_study(written(folder, *blocks))
    return study, CandidatePlan(study.axes, study.design)


def entries(folder: Path, *blocks: str) -> list[Entry]:
    """Return the rows of a study that ran in this process, without a stop."""
    study, plan = read(folder, *blocks)
    with open_store(None, study, plan) as store:
        execute(store, run_here)
        return list(store.entries())
