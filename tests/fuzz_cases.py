"""What the fuzz tests share: spoilt texts and bytes, whole refusals, and what a folder held."""

from __future__ import annotations

import copy
import hashlib
import os
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from cgrisk.errors import InputError
from cgrisk.scenario.locate import KeyPath

#: The folder of an example is written anew each time, so it may be shared by the examples.
shared_folder = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])

texts = st.text(st.characters(codec="utf-8"), max_size=20)
numbers = st.one_of(
    st.integers(-(10**6), 10**6),
    st.integers(),
    st.integers(-(10**400), 10**400),
    st.floats(),
    st.sampled_from([0, -1, 1, 0.5, 1e-300, 1e308]),
)
scalars = st.one_of(numbers, st.booleans(), texts, st.sampled_from(["1-9", "12A", "A", "centre"]))
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=8,
)

#: Names and cells that other programs would take for something else than text.
HOSTILE = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "</style></script><svg onload=alert(1)>",
    "$(touch owned); `touch owned` | touch owned && touch owned",
    "'; touch owned #",
    '" onmouseover="alert(1)',
    "{0.__class__} {name} %s %(name)s",
    "{{ 7 * 7 }} {% raise %} ${7*7} #{7*7}",
    '#eval("1+1") #read("/etc/hostname") $x$ *b* _i_ @label <label>',
    '#import "x.typ": * ; ```raw``` \\u{41} // comment /* open',
    "../../owned",
    "/etc/owned",
    "..",
    "C:\\owned",
    "~/owned",
    "-rf --out=owned",
    "=HYPERLINK(A1)",
    "@SUM(1)",
    "a,b;c\"d'e",
    "שלום עולם",
    "\u202etxt.exe",
    "e\u0301\u0301 \ufeff",
    "x" * 120,
)
hostile = st.sampled_from(HOSTILE)

ODD_CELLS = (
    *("", "0", "-0", "-1", "1e400", "nan", "inf", "-inf", "1_0", "1e-320", "0x10", "١٢", "1,5"),
    *('"', '"1', "1;2", "\x00", "true", " 7 ", "1e308", "zero_fuel", "male", "A"),
    *("9" * 400, "9" * 5_000),
)
cells = st.one_of(
    st.sampled_from(ODD_CELLS),
    hostile,
    st.integers().map(str),
    st.floats().map(repr),
    st.text(st.characters(codec="utf-8"), max_size=12),
)


def paths_of(data: Any, path: KeyPath = ()) -> list[KeyPath]:
    if isinstance(data, dict):
        below = [p for key, value in data.items() for p in paths_of(value, (*path, key))]
    elif isinstance(data, list):
        below = [p for i, value in enumerate(data) for p in paths_of(value, (*path, i))]
    else:
        below = []
    return [path, *below] if path else below


def holder_of(data: Any, path: KeyPath) -> Any:
    """Return the table or list that holds a value; None where an earlier change took it away."""
    try:
        for key in path[:-1]:
            data = data[key]
        data[path[-1]]
    except (KeyError, IndexError, TypeError):
        return None
    return data


def change(draw: st.DrawFn, holder: Any, key: str | int) -> None:
    """Replace, scale, take away, double or copy what a key holds, or put a key beside it."""
    old = holder[key]
    match draw(st.sampled_from(["replace", "scale", "remove", "double", "add", "copy"])):
        case "replace":
            holder[key] = draw(values)
        case "scale" if is_figure(old):
            holder[key] = old * draw(st.floats(-2.0, 3.0))
        case "double" if isinstance(old, list):
            holder[key] = old + copy.deepcopy(old)
        case "add" if isinstance(holder, dict):
            holder[draw(texts)] = draw(values)
        case "copy" if isinstance(holder, list):
            holder.append(copy.deepcopy(old))
        case _:
            del holder[key]


def is_figure(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12


@st.composite
def spoilt_csv(draw: st.DrawFn, text: str, *, hard: bool = False) -> str:
    """A CSV text with cells and rows changed, doubled, taken away; a third of them only nearly."""
    rows = [line.split(",") for line in text.rstrip("\n").split("\n")]
    if not hard and draw(st.integers(0, 2)) == 0:
        figures = [
            (i, j) for i, row in enumerate(rows) for j, cell in enumerate(row) if _figure(cell)
        ]
        for i, j in draw(st.lists(st.sampled_from(figures), min_size=1, max_size=3)):
            scaled = float(rows[i][j]) * draw(st.floats(0.9, 1.1))
            rows[i][j] = f"{scaled:.0f}" if rows[i][j].isdecimal() else f"{scaled:.4f}"
        return "\n".join(map(",".join, rows)) + "\n"
    for _ in range(draw(st.integers(1, 3))):
        i = draw(st.integers(0, len(rows) - 1))
        j = draw(st.integers(0, max(len(rows[i]) - 1, 0)))
        match draw(st.sampled_from(["cell", "cell", "remove", "double", "shorten", "lengthen"])):
            case "cell" if rows[i]:
                rows[i][j] = draw(cells)
            case "double":
                rows.insert(i, list(rows[i]))
            case "shorten" if rows[i]:
                del rows[i][j]
            case "lengthen":
                rows[i].insert(j, draw(cells))
            case _ if len(rows) > 1:
                del rows[i]
    return "\n".join(map(",".join, rows)) + draw(st.sampled_from(["\n", "", "\r\n", "\n,,\n"]))


def _figure(cell: str) -> bool:
    try:
        return cell.isascii() and float(cell) == float(cell)
    except ValueError:
        return False


@st.composite
def torn_bytes(draw: st.DrawFn, content: bytes) -> bytes:
    """Bytes cut short, overwritten, put in, or all others."""
    start = draw(st.integers(0, len(content)))
    piece = draw(st.binary(max_size=12))
    match draw(st.sampled_from(["cut", "overwrite", "insert", "remove", "flip", "other", "empty"])):
        case "cut":
            return content[:start]
        case "overwrite":
            return content[:start] + piece + content[start + len(piece) :]
        case "insert":
            return content[:start] + piece + content[start:]
        case "remove":
            return content[:start] + content[start + draw(st.integers(1, 200)) :]
        case "flip" if start < len(content):
            return content[:start] + bytes([content[start] ^ 0x10]) + content[start + 1 :]
        case "empty":
            return b""
        case _:
            return draw(st.binary(max_size=200))


def assert_whole_refusal(error: InputError) -> None:
    """Every fault says all that it has to, on one printable line that is not too long."""
    assert error.faults
    for fault in error.faults:
        assert fault.file
        assert fault.expected
        assert fault.got
        assert fault.cure.endswith((".", "?", ")")) or fault.cure.startswith("Name it in")
        assert str(fault).isprintable(), str(fault)
        assert len(str(fault)) < 2_000
        assert fault.line is None or fault.line >= 1


def snapshot(folder: Path, *, but: Path | None = None) -> dict[str, str]:
    """Kind and content of whatever is below a folder, links not followed."""
    found = {}
    for parent, folders, files in os.walk(folder):
        here = Path(parent)
        folders[:] = [name for name in folders if but is None or here / name != but]
        for name in (*folders, *files):
            path = here / name
            key = path.relative_to(folder).as_posix()
            if path.is_symlink():
                found[key] = f"link {path.readlink()}"
            elif path.is_file():
                found[key] = hashlib.sha256(path.read_bytes()).hexdigest()
            else:
                found[key] = "folder"
    return found
