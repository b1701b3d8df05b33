"""Tables as CSV: no text is a formula to a spreadsheet, and what was written is read back."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cgrisk.report.csv_table import parse_csv, write_csv

FORMULAS = ("=1+1", "+cmd|' /C calc'!A0", "@SUM(1)", "-2+3%d", "\tx", "=", "-", "\uff1d1")


def written(frame: pd.DataFrame, folder: Path) -> str:
    write_csv(folder / "t.csv", frame)
    return (folder / "t.csv").read_bytes().decode()


@pytest.mark.parametrize("name", FORMULAS)
def test_a_formula_gets_an_apostrophe_in_cells_and_header(name: str, tmp_path: Path) -> None:
    frame = pd.DataFrame({name: [1.5], "zone": [name], "class": pd.Categorical([name])})
    text = written(frame, tmp_path)
    shown = f"'{name}"
    assert text == f"{shown},zone,class\n1.5,{shown},{shown}\n"
    back = parse_csv(text)
    assert list(back.columns) == [name, "zone", "class"]
    assert back.iloc[0].tolist() == [1.5, name, name]


def test_numbers_and_other_text_stay_as_they_are(tmp_path: Path) -> None:
    cells = [-1, "-1.5e-3", "+4", "a=b", "'quoted'", "", None, True, float("nan")]
    frame = pd.DataFrame({"low": [-1e-3] * 9, "cell": pd.Series(cells, dtype=object)})
    frame.to_csv(tmp_path / "plain.csv", index=False, lineterminator="\n")
    assert written(frame, tmp_path) == (tmp_path / "plain.csv").read_text()
    assert written(frame.iloc[:0], tmp_path) == "low,cell\n"


def test_whole_numbers_beside_a_missing_one_stay_whole(tmp_path: Path) -> None:
    frame = pd.DataFrame({"n": pd.Series([1, None], dtype=object)})
    assert written(frame, tmp_path) == 'n\n1\n""\n'


@given(texts=st.lists(st.text("'=+-@a1,\"\n", min_size=1, max_size=5)))
def test_what_was_written_is_read_back(texts: list[str]) -> None:
    """A column with a word is one of texts, to whoever reads it."""
    names = ["word", *texts]
    with TemporaryDirectory() as folder:
        text = written(pd.DataFrame({"name": names}), Path(folder))
    assert parse_csv(text)["name"].tolist() == names
    cells = [row[0] for row in csv.reader(io.StringIO(text, newline=""))]
    assert not [cell for cell in cells if cell[0] in "=@+-" and not cell.lstrip("+-").isdigit()]
