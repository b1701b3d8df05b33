"""Lines of keys: by hand, and against a slow oracle."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from cgrisk.scenario.locate import KeyPath, line_at, locate
from tests.scenario_cases import shipped_text

TRICKY = '''# comment with [brackets] and = signs
title = "a # not a comment"
"quoted key" = 'literal # too'
dotted . name = 1

[table]  # after a header
list = [
    1,  # one
    [2, 3],
    { a = 4, b.c = 5 },
]
text = """
[not a table]
key = "no"
quotes: \\""" and two: ""
"""
raw = \'\'\'
x = 1
\'\'\'
date = 1979-05-27 07:32:00

[[array]]
name = "first"
[array.below]
deep = true

[[array]]
name = "second"
[[array.inner]]
v = 1
[[array.inner]]
v = 2
[ spaced . "header key" ]
last = 0.5
'''


def every_path(data: Any, path: KeyPath = ()) -> list[KeyPath]:
    """Paths of everything in parsed data."""
    if isinstance(data, dict):
        below = [p for key, value in data.items() for p in every_path(value, (*path, key))]
    elif isinstance(data, list):
        below = [p for i, value in enumerate(data) for p in every_path(value, (*path, i))]
    else:
        below = []
    return [path, *below] if path else below


def lines_by_prefixes(text: str) -> dict[KeyPath, int]:
    """The oracle: parse the first line, the first two, and so on; a key stands where it appears.

    A prefix that ends inside a list is closed with brackets; one that ends inside a text or a
    table over several lines tells nothing, and its keys are told by the next that parses.
    """
    found: dict[KeyPath, int] = {}
    lines = text.split("\n")
    for number in range(1, len(lines) + 1):
        prefix = "\n".join(lines[:number])
        for closing in ("", "\n]", "\n]]", "\n}"):
            try:
                data = tomllib.loads(prefix + closing)
            except tomllib.TOMLDecodeError:
                continue
            for path in every_path(data):
                found.setdefault(path, number)
            break
    return found


def test_tricky_text_by_hand() -> None:
    lines = locate(TRICKY)
    assert lines[("title",)] == 2
    assert lines[("quoted key",)] == 3
    assert lines[("dotted",)] == lines[("dotted", "name")] == 4
    assert lines[("table",)] == 6
    assert lines[("table", "list")] == 7
    assert lines[("table", "list", 0)] == 8
    assert lines[("table", "list", 1, 1)] == 9
    assert lines[("table", "list", 2, "b", "c")] == 10
    assert lines[("table", "text")] == 12
    assert lines[("table", "raw")] == 17
    assert lines[("table", "date")] == 20
    assert lines[("array", 0, "below", "deep")] == 25
    assert lines[("array", 1, "name")] == 28
    assert lines[("array", 1, "inner", 1)] == 31
    assert lines[("array", 1, "inner", 1, "v")] == 32
    assert lines[("spaced", "header key", "last")] == 34


@pytest.mark.parametrize("text", [TRICKY, *map(shipped_text, ("aircraft", "operation"))])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_every_path_is_located(text: str, ending: str) -> None:
    lines = locate(text.replace("\n", ending))
    assert set(lines) == set(every_path(tomllib.loads(text)))


@pytest.mark.parametrize("name", ["tricky", "aircraft"])
def test_agrees_with_parsing_prefixes(name: str) -> None:
    text = TRICKY if name == "tricky" else shipped_text(name)
    lines, slow = locate(text), lines_by_prefixes(text)
    # Inside a text of several lines the oracle is late; it is told the line of the opening quote.
    late = {("table", "text"), ("table", "raw")}
    assert {path: lines[path] for path in slow if path not in late} == {
        path: number for path, number in slow.items() if path not in late
    }


def test_line_of_what_is_not_there_is_that_of_its_holder() -> None:
    lines = locate(TRICKY)
    assert line_at(lines, ("array", 1, "missing", 3)) == 27
    assert line_at(lines, ("nowhere",)) is None
    assert line_at(lines, ()) is None


def test_a_long_file_is_located_to_its_end() -> None:
    text = "".join(f"[t{i}]\nkey = [1, 2, {{ a = 'b' }}]\n" for i in range(5_000))
    assert locate(text)[("t4999", "key", 2, "a")] == 10_000
