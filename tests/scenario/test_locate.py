"""Key path -> line number."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from shaftloop.scenario.locate import KeyPath, Locator

TEXT = '''\
title = "a # b"  # c
x.y.'z' = 3
"quo.ted" = 'a[b'
"esc\\u0041ped" = 1

[[line]]
name = "a"
filter = { kind = "b", cutoff = 3, nested = { q = [1, 2] } }
arr = [
  1, # one ]
  { k = 2 },
  [3,
   4],
]
  [line.drag]
  viscous = 1
  [[line.sections]]
  d = 1
  [[line.sections]]
  d = 2
[[line]]
name = """multi
line "" ] x"""
text = \'\'\'
d = 'no key'
\'\'\'
[line.drag]
date = 1979-05-27 07:32:00
[a.b.c]
[  d . "e"  ]
f = 1
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("title",), 1),
        (("x", "y", "z"), 2),
        (("quo.ted",), 3),
        (("escAped",), 4),
        (("line", 0), 6),
        (("line", 0, "name"), 7),
        (("line", 0, "filter", "nested", "q", 1), 8),
        (("line", 0, "arr", 0), 10),
        (("line", 0, "arr", 1, "k"), 11),
        (("line", 0, "arr", 2, 1), 13),
        (("line", 0, "drag", "viscous"), 16),
        (("line", 0, "sections", 1, "d"), 20),
        (("line", 1, "name"), 22),
        (("line", 1, "text"), 24),
        (("line", 1, "drag", "date"), 28),
        (("a", "b"), 29),
        (("d", "e", "f"), 31),
    ],
)
def test_line_of_a_key(path: KeyPath, line: int) -> None:
    assert Locator(TEXT).line(path) == line
    assert Locator(TEXT.replace("\n", "\r\n")).line(path) == line


def test_unknown_key_gives_the_line_of_what_encloses_it() -> None:
    locator = Locator(TEXT)
    assert locator.line(("line", 1, "drag", "viscous")) == 27
    assert locator.line(("line", 0, "filter", "order")) == 8
    assert locator.line(("nothing", "here")) == 1
    assert locator.depth(("line", 1, "drag", "viscous")) == 3
    assert locator.depth(("nothing",)) == 0


@pytest.mark.parametrize("text", ["", "\n\n", "[", "a = [1,", "a = {", "[[", "a.b", "a = ["])
def test_a_text_that_is_no_toml_does_not_break_it(text: str) -> None:
    assert Locator(text).line(("a", 0)) == 1


def _paths(value: Any, path: KeyPath = ()) -> list[KeyPath]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [found for key, item in items for found in [(*path, key), *_paths(item, (*path, key))]]


@pytest.mark.parametrize(
    "file", sorted(Path(__file__).parents[2].glob("scenarios/**/*.toml")), ids=lambda p: p.stem
)
def test_every_key_of_what_ships_is_found_where_it_stands(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    locator, lines = Locator(text), text.split("\n")
    paths = _paths(tomllib.loads(text))
    assert paths
    for path in paths:
        assert locator.depth(path) == len(path)
        if isinstance(path[-1], str):
            assert path[-1] in lines[locator.line(path) - 1]
