"""`cgrisk report` as its users meet it: agreement with the run, edits noticed, the same bytes."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pypdf
import pytest

from cgrisk.cli import main
from cgrisk.report.dossier.figures import power
from cgrisk.risk.summary import Summary
from tests.flight_cases import edited, shipped_scenario
from tests.report_cases import make_run

FLIGHTS = 1500


def report(*words: object) -> int:
    return main(["report", *(str(word) for word in words)])


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("results")


@pytest.fixture(scope="module")
def summary(place: Path) -> Summary:
    return make_run(place / "run", shipped_scenario(), flights=FLIGHTS)


@pytest.fixture(scope="module")
def run(place: Path, summary: Summary) -> Path:
    """A run with a division into zones beside it."""
    assert summary.sample.flights == FLIGHTS
    words = ("--max-zones", "2", "--flights", "200", "--level", "0.05", "--seed", "3")
    assert main(["zones", *words, "--out", str(place / "zones")]) == 0
    return place / "run"


@pytest.fixture(scope="module")
def answer(run: Path) -> dict:
    """What --json says, with both files written into the run's folder."""
    with pytest.MonkeyPatch.context() as patch:
        lines: list[str] = []
        patch.setattr("sys.stdout.write", lines.append)
        assert report(run, "--json") == 0
    return json.loads("".join(lines))


def front_of(page: str) -> str:
    """The first half page without its markup."""
    section = page.split('<section id="answer"')[1].split("</section>", maxsplit=1)[0]
    return " ".join(re.sub(r"<[^>]*>", " ", section).split())


def test_the_first_half_page_agrees_with_the_run(answer: dict, summary: Summary, run: Path) -> None:
    told = summary.answer(flights_per_second=1.0)["leave_envelope"]
    page = front_of((run / "report.html").read_text(encoding="utf-8"))
    pdf = " ".join(pypdf.PdfReader(run / "report.pdf").pages[0].extract_text().split())
    readings = {"at_limit": "at the operational limit", "as_planned": "as planned"}
    for side, sides in answer["first_half_page"]["sides"].items():
        for name, reading in readings.items():
            (row,) = (
                row
                for row in told
                if (row["side"], row["phase"], row["reading"]) == (side, "any", reading)
            )
            here = sides[name]
            for key in ("estimate", "low", "high", "method"):
                assert here[key] == row[key]
            seen = here["hits"] > 0
            text = f"{power(row['estimate'])} ({power(row['low'])} to {power(row['high'])})"
            text = text if seen else f"at most {power(row['high'])}"
            assert text in page
            assert text in pdf
    assert f"{FLIGHTS:,} simulated flights, seed 1; exact binomial, 95 %" in page
    assert "Not reckoned yet for aft" in page
    assert "cgrisk tail --side aft --target P" in page
    assert "Decision: " in page  # of the zones beside it


def test_both_files_are_whole_and_the_pdf_is_tagged(answer: dict, run: Path) -> None:
    assert Path(answer["html"]) == run / "report.html"
    assert [found["kind"] for found in answer["results"]] == ["zones"]
    reader = pypdf.PdfReader(run / "report.pdf")
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en-GB"
    xmp = root["/Metadata"].get_data().decode()
    assert re.search(r"pdfaid:part>2<.*pdfaid:conformance>A<", xmp, re.DOTALL)
    assert "pdfuaid:part>1<" in xmp
    text = "".join(page.extract_text() for page in reader.pages)
    for title in ("Cautions", "Trim and take-off", "Assumption register", "Every alternative"):
        assert title in text
    assert sum(path.stat().st_size for path in run.glob("report.*")) < 10_000_000
    assert not list(run.glob("*.partial"))


@pytest.mark.usefixtures("answer")
def test_the_same_bytes_come_out_twice(run: Path, tmp_path: Path) -> None:
    assert report(run, "--out", tmp_path) == 0
    for name in ("report.html", "report.pdf"):
        assert (tmp_path / name).read_bytes() == (run / name).read_bytes()


@pytest.mark.parametrize("name", ["run/summaries/leave_envelope.csv", "zones/divisions.csv"])
def test_an_edited_number_is_noticed(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    shutil.copytree(run.parent, tmp_path / "copy")
    path = tmp_path / "copy" / name
    path.write_text(re.sub(r"(\d)$", "7", path.read_text(), count=1, flags=re.MULTILINE) + "0\n")
    words = ("--with", tmp_path / "copy" / "zones") if "zones" in name else ()
    assert report(tmp_path / "copy" / "run", *words, "--out", tmp_path / "out") == 1
    assert re.search(r"expected the file with SHA-256 \w{12}; got", capsys.readouterr().err)
    assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("answer")
def test_more_crowds_change_the_first_half_page(run: Path, tmp_path: Path) -> None:
    operation = shipped_scenario().operation
    more = edited(
        {
            "operation.crowd.sign_off_share": 10.0 * operation.crowd.sign_off_share,
            "operation.crowd.after_meal_factor": 10.0 * operation.crowd.after_meal_factor,
        }
    )
    make_run(tmp_path / "run", more, flights=FLIGHTS)
    (tmp_path / "zones").mkdir()
    shutil.copytree(run.parent / "zones", tmp_path / "zones", dirs_exist_ok=True)
    assert report(tmp_path / "run", "--html-only") == 0
    assert not (tmp_path / "run" / "report.pdf").exists()
    page = (tmp_path / "run" / "report.html").read_text(encoding="utf-8")
    before = front_of((run / "report.html").read_text(encoding="utf-8"))
    assert front_of(page).split("Probability")[0] != before.split("Probability")[0]
    # The zones are of another scenario now: named as left out, with the reason.
    assert "zones: expected the scenario of the run" in page
    assert "Decision: " not in front_of(page)


def test_what_cannot_be_taken_is_refused(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for words, said in (
        ((tmp_path,), "expected a run's folder"),
        ((run, "--with", tmp_path), "expected a folder written by cgrisk tail"),
        ((run, "--alone", "--with", run), "not both"),
    ):
        assert report(*words, "--out", tmp_path / "out") in (1, 2)
        assert said in capsys.readouterr().err
    (tmp_path / "file").write_text("in the way")
    assert report(run, "--alone", "--html-only", "--out", tmp_path / "file") == 1
    assert "can be written" in capsys.readouterr().err
