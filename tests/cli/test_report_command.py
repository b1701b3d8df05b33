"""`cgrisk report` as its users meet it: agreement with the run, edits noticed, the same bytes."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from dataclasses import replace
from pathlib import Path

import pypdf
import pytest

from cgrisk.cli import main
from cgrisk.flight import replay_flight
from cgrisk.report.dossier.case_sections import case_section
from cgrisk.report.dossier.figures import fixed, powers
from cgrisk.report.dossier.findings import Result, read_findings
from cgrisk.report.dossier.front import first_half_page
from cgrisk.report.dossier.parts import Section, Table, Text
from cgrisk.report.dossier.run_sections import results_section
from cgrisk.risk.replay import closest_approaches
from cgrisk.risk.summary import Summary
from cgrisk.units import LB_TO_KG
from tests.flight_cases import edited, shipped_scenario
from tests.report_cases import make_run

FLIGHTS = 800


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
            ends = powers([row["estimate"], row["low"], row["high"]])
            text = "{} ({} to {})".format(*ends) if seen else f"at most {ends[2]}"
            assert text in page
            assert text in pdf
    assert f"{FLIGHTS:,} simulated flights, seed 1; exact binomial, two-sided, 95 %" in page
    assert "one at a time, not together" in page
    assert "Not reckoned yet for aft and forward" in page
    out = shlex.quote(str(run.parent / "tail-aft"))
    assert f"cgrisk tail --side aft --target P --seed 1 --out {out}" in page
    whole = (run / "report.html").read_text(encoding="utf-8")
    assert "unsafe-inline" not in whole
    assert not re.search(r"<[^>]* style=", whole)
    assert "Nothing is published to set beside a flight of this length" in whole
    assert "Zones: " in page  # what was decided beside it


def test_both_ranges_stand_in_the_headline(run: Path, summary: Summary) -> None:
    assert summary.sample.flights == FLIGHTS
    row = {"threshold": 4.0, "estimate": 8e-4, "low": 6e-4, "high": 1.1e-3, "method": "counting, x"}
    row |= {"assumption_low": 4e-4, "assumption_high": 5e-3, "on_assumptions": 0.5}
    data = {"side": "aft", "phases": "any", "at_operational_limit": 4.0, "target": 1e-3}
    data |= {"event": "envelope.aft.any", "assumption_draws": 8, "curve": [row]}
    tail = Result("tail", run.parent / "tail", data, ())
    findings = replace(read_findings(run, beside=()), results=(tail,))
    blocks, numbers = first_half_page(findings)
    (decided,) = (b.text for b in blocks if isinstance(b, Text) and b.kind == "decision")
    assert "0.00040 to 0.0050 over the range of the assumptions" in decided
    (table,) = (b for b in blocks if isinstance(b, Table))
    (cells,) = (cells for cells in table.rows if cells[0].text == "aft")
    assert cells[2].text == "0.00080 (0.00060 to 0.0011), counting"
    assert "50 % of the risk rests on inputs without a source" in cells[3].text
    (asked,) = (b.text for b in blocks if isinstance(b, Text) and b.kind == "warning")
    assert "for forward:" in asked
    assert numbers["sides"]["aft"]["tail"]["folder"] == "tail"


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
def test_every_chart_that_was_drawn_is_shown(answer: dict, run: Path) -> None:
    """As it was drawn, or drawn anew by a section for its marks."""
    assert answer
    page = (run / "report.html").read_text(encoding="utf-8")
    shown = set(re.findall(r'<figure id="fig-([^"]+)"', page))
    anew = {"risk": "risk", "exceedance": "exceedance", "cabin": "cabin-plan"}
    anew["convergence"] = "convergence"
    drawn = {path.stem for path in (run / "charts").glob("*.svg")}
    assert drawn > set(anew)
    assert {anew.get(stem, f"run-{stem.replace('_', '-')}") for stem in drawn} <= shown
    beside = {path.stem for path in (run.parent / "zones").glob("*.svg")}
    assert beside
    assert {f"zones-zones-{stem}".replace("_", "-") for stem in beside} <= {
        re.sub(r"-[0-9a-f]{6,}$", "", name) for name in shown
    }


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
    assert "Zones: " not in front_of(page)


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


def _table(section: Section, caption: str) -> Table:
    (found,) = (b for b in section.blocks if isinstance(b, Table) and b.caption.startswith(caption))
    return found


def test_table_report_and_replay_tell_one_margin_and_the_units_of_the_files(tmp_path: Path) -> None:
    """Margins are % MAC of the mass at the instant; masses those of the operation file."""
    data = shipped_scenario().resolved()["aircraft"]["envelopes"][0]
    nearer = [[mass, pct - 3.0] for mass, pct in data["aft"]]
    changes = {"aircraft.envelopes.0.aft": nearer, "operation.units": "lb/in"}
    summary = make_run(tmp_path / "run", edited(changes), flights=150)
    findings = read_findings(tmp_path / "run", beside=())
    model, outside = findings.run.model, summary.outside.set_index(["side", "phase"])
    near = summary.nearest[summary.nearest["phase"] == "any"]
    shown = _table(results_section(findings), "Flights that came nearest")
    heads = [column.head for column in shown.columns]
    assert heads[3:] == ["least margin, % MAC", "in", "at, min from taxi", "at mass, lb"]
    worst = 0
    for row in near[near["rank"] <= 3].to_dict("records"):
        replay = replay_flight(model, seed=1, flight=row["flight"])
        here = [near for near in closest_approaches(replay) if near.side == row["side"]]
        closest = min(here, key=lambda near: near.margin_pct_mac)
        assert closest.margin_pct_mac == pytest.approx(row["margin_pct_mac"], abs=1e-9)
        assert closest.phase == row["in_phase"]
        assert closest.time_s == pytest.approx(row["time_s"], abs=1e-6)
        assert closest.mass_kg == pytest.approx(row["mass_kg"], abs=1e-6)
        told = outside.loc[(row["side"], row["in_phase"])]
        if told["worst_flight"] == row["flight"]:
            worst += 1
            assert told["greatest_depth_pct_mac"] == pytest.approx(-row["margin_pct_mac"], abs=1e-9)
        (line,) = (
            cells
            for cells in shown.rows
            if cells[0].text == row["side"] and cells[1].text == str(row["rank"])
        )
        assert line[3].text == fixed(row["margin_pct_mac"], 2, signed=True)
        assert line[6].text == f"{row['mass_kg'] / LB_TO_KG:,.0f}"
    assert worst > 0
    masses = _table(case_section(findings), "Planned masses")
    assert masses.columns[1].head == "planned, lb"
    dry = model.scenario.aircraft.masses.dry_operating
    assert masses.rows[0][1].text == f"{dry / LB_TO_KG:,.0f}"
