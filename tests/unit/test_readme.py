"""The README's Python runs as it stands, and its limits are those of the code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cgrisk.cli import main
from cgrisk.decide.zone_study import _MOST_ZONES
from cgrisk.errors import UsageError
from cgrisk.randomness import MAX_FLIGHTS
from cgrisk.rare.question import GREATEST_RISK, LEAST_RISK
from cgrisk.sampling import MOST_ROWS, check_counts
from cgrisk.sampling.stopping import _FINEST
from cgrisk.scenario.aircraft_file import AircraftFile, Cabin
from cgrisk.scenario.checks_cabin import MAX_AISLES, MAX_SEATS
from cgrisk.scenario.checks_sizes import LONGEST_MIN, MOST_EVENTS
from cgrisk.scenario.document import MAX_BYTES, MAX_LINE
from cgrisk.scenario.loads_file import MOST_BYTES as LOADS_BYTES
from cgrisk.scenario.loads_file import MOST_ROWS as LOADS_ROWS
from cgrisk.scenario.operation_file import OperationFile, Service
from cgrisk.scenario.policies_file import PoliciesFile
from cgrisk.scenario.shapes import shape_of
from cgrisk.scenario.tables import SEAT_PLAN, SURVEY

README = Path(__file__).parents[2] / "README.md"


def test_the_python_of_the_readme_runs(tmp_path, monkeypatch, capsys):
    (block,) = re.findall(r"^```python\n(.*?)^```$", README.read_text(), re.MULTILINE | re.DOTALL)
    lines = [line for line in block.splitlines() if line.strip()]
    assert len(lines) <= 12
    monkeypatch.chdir(tmp_path)
    exec(compile(block, "README.md", "exec"), {})
    assert "at the operational limit" in capsys.readouterr().out
    assert (tmp_path / "envelope.png").stat().st_size > 10_000


def test_the_limits_of_the_readme_are_those_of_the_code(capsys):
    def most(model, *names, limit="max_length"):
        found = [shape_of(model.model_fields[name]).limit(limit) for name in names]
        return "; ".join(f"{number:,}" for number in found)

    def table(form):
        return f"{form.most_bytes / 1e6:g} MB, {form.most_rows:,} rows"

    threads, draws = 1024, 10_000
    text = README.read_text().split("## Limits")[1].split("\n## ")[0]
    told = [row[1] for row in re.findall(r"^\| (.+?) \| (.+?) \|$", text, re.MULTILINE)]
    assert told[1:] == [
        f"{MAX_FLIGHTS:,}; {MOST_ROWS:,}",
        f"{threads:,}; {draws:,}",
        f"{MAX_SEATS:,}; {MAX_AISLES}; {most(OperationFile, 'fleet', limit='le')}",
        f"{LONGEST_MIN:,.0f} minutes, {MOST_EVENTS:,.0f} events in the cabin",
        most(OperationFile, "zones", "classes", "phases")
        + "; "
        + most(AircraftFile, "holds", "tanks", "fuel_transfers"),
        most(Cabin, "lavatories", "galleys", "crew_seats") + "; " + most(Service, "carts"),
        f"{most(PoliciesFile, 'policies')}; {_MOST_ZONES}",
        f"{MAX_BYTES / 1e6:g} MB; {MAX_LINE:,} characters",
        f"{table(SEAT_PLAN)}; {table(SURVEY)}; {LOADS_BYTES / 1e6:g} MB, {LOADS_ROWS:,} rows",
    ]
    assert f"`--precision` is from {_FINEST} to 1," in text
    ends = f"from {LEAST_RISK:g} to {GREATEST_RISK:g}"
    assert f"`--target` and `--risk` {ends}" in " ".join(text.split())
    check_counts(jobs=threads)
    with pytest.raises(UsageError, match=f"from 1 to {threads}; got {threads + 1}"):
        check_counts(jobs=threads + 1)
    assert main(["tail", "--target", "0.1", "--draws", str(draws + 1)]) == 2
    assert f"from 2 to {draws}; got {draws + 1}" in capsys.readouterr().err
