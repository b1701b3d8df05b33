"""`cgrisk buffers` as its users meet it, on a cabin of one row."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import cgrisk.decide.buffers as buffers_module
from cgrisk.cli import main
from cgrisk.decide import load_search
from cgrisk.decide.operator_envelope import OperatorEnvelope
from tests.cut_cases import write_small_case

FEW = ("--risk", 0.05, "--mass-count", 2, "--draws", 0, "--proof", 1, "--seed", 3)


@pytest.fixture(scope="module", autouse=True)
def few_flights() -> Iterator[None]:
    """Search with few flights: what is found is checked, not how near to the worst it is."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(load_search, "_FLIGHTS", 400)
        patch.setattr(load_search, "_LOADS", 300)
        patch.setattr(buffers_module, "_CLOUD_PARTICLES", 100)
        yield


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_small_case(tmp_path_factory.mktemp("case"))


def run(*words: object) -> int:
    return main(["buffers", *(str(word) for word in words)])


def pure(text: str) -> dict:
    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is not JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.fixture(scope="module")
def told(case: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("buffers") / "some"
    assert run(case, *FEW, "--out", out) == 0
    return out


def test_the_folder_is_whole_and_its_tables_agree(told: Path) -> None:
    assert not list(told.parent.glob("*.begun"))
    assert not list(told.parent.glob("*.partial*"))
    buffers = pd.read_csv(told / "buffers.csv")
    assert len(buffers) == 2 * 2 * buffers["group"].nunique()
    parts = buffers[["estimate_kgm", "simulation_kgm", "assumptions_kgm"]].fillna(0.0).sum(axis=1)
    np.testing.assert_allclose(buffers["buffer_kgm"], parts.clip(lower=0.0), atol=1e-6)
    for name in ("by_cause", "by_zone"):
        split = pd.read_csv(told / f"{name}.csv")
        for (side, group, mass), part in split.groupby(["side", "group", "mass_kg"]):
            row = buffers[
                (buffers["side"] == side)
                & (buffers["group"] == group)
                & (buffers["mass_kg"] == mass)
            ]
            assert part["moment_kgm"].sum() == pytest.approx(
                float(row["buffer_kgm"].iloc[0]), abs=1e-6
            )
    data = pure((told / "buffers.json").read_text())
    assert data["seed"] == 3
    assert data["risk_each"] == 0.05
    assert "study aid" in data["cautions"]
    assert "authority's agreement" in data["agreement"]
    for stem in ("envelope", "buffer_forward_take_off_and_landing"):
        assert (told / f"{stem}.png").stat().st_size > 10_000
        assert (told / f"{stem}.svg").stat().st_size > 10_000


def test_the_envelope_is_read_back_by_loads(told: Path) -> None:
    envelope = OperatorEnvelope.from_file(told / "envelope.csv")
    frame = pd.read_csv(told / "envelope.csv")
    assert set(frame["mass_kind"]) == {"zero_fuel", "take_off", "landing"}
    assert envelope.zero_fuel is not None
    # Buffers narrow: no new limit lies beyond the certified one.
    chart = pd.read_csv(told / "envelope_chart.csv")
    toward = np.where(chart["side"] == "aft", 1.0, -1.0)
    assert (toward * (chart["certified"] - chart["new"]) >= -1e-9).all()


def test_the_proof_is_told_risk_by_risk(told: Path) -> None:
    proof = pd.read_csv(told / "proof.csv")
    assert set(proof["side"]) == {"forward", "aft"}
    assert (proof["low"] <= proof["estimate"]).all()
    assert (proof["over"] == (proof["low"] > proof["risk"])).all()


@pytest.mark.nightly
def test_assumptions_widen_a_buffer(case: Path, tmp_path: Path) -> None:
    words = ("--risk", 0.05, "--mass-count", 2, "--draws", 4, "--proof", 0, "--seed", 3)
    assert run(case, *words, "--out", tmp_path / "x") == 0
    buffers = pd.read_csv(tmp_path / "x" / "buffers.csv")
    assert (buffers["assumptions_kgm"] >= 0.0).all()
    assert (buffers["assumptions_kgm"] > 0.0).any()
    assert buffers["assumptions_from_kg"].notna().all()
    parts = buffers[["estimate_kgm", "simulation_kgm", "assumptions_kgm"]].sum(axis=1)
    np.testing.assert_allclose(buffers["buffer_kgm"], parts.clip(lower=0.0), atol=1e-6)


def test_json_is_alone_and_the_same_for_any_threads(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = []
    for jobs in (1, 2):
        out = tmp_path / str(jobs)
        words = ("--risk", 0.1, "--mass-count", 1, "--draws", 0, "--proof", 0, "--seed", 5)
        assert run(case, *words, "--json", "--jobs", jobs, "--out", out) == 0
        data = pure(capsys.readouterr().out)
        found.append({key: value for key, value in data.items() if key != "manifest"})
        assert data["proof"] == []
        assert data["buffers"][0]["assumptions_kgm"] is None
    assert found[0] == found[1]


@pytest.mark.parametrize(
    "words, said",
    [
        (("--risk", 0), "risk"),
        (("--risk", 0.9), "risk"),
        (("--risk", "nan"), "risk"),
        (("--risk", 1e-3, "--confidence", 1.0), "confidence"),
        (("--risk", 1e-3, "--masses", "a,b"), "masses"),
        (("--risk", 1e-3, "--masses", "nan"), "masses"),
        (("--risk", 1e-3, "--masses", "90000"), "masses"),
        (("--risk", 1e-3, "--mass-count", 0), "mass-count"),
        (("--risk", 1e-3, "--draws", 1), "draws"),
        (("--risk", 1e-3, "--proof", -1), "proof"),
        (("--risk", 1e-3, "--relative-error", 0), "relative-error"),
        (("--risk", 1e-3, "--flights", 0), "flights"),
    ],
)
def test_what_cannot_be_is_named(
    case: Path, words: tuple, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(case, *words, "--out", tmp_path / "x") == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert said in told.err
    assert not (tmp_path / "x").exists()


def test_an_envelope_of_ones_own_is_put_to_the_proof(
    case: Path, told: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = pd.read_csv(told / "envelope.csv")
    new.assign(forward=new["forward"] - 3.0, aft=new["aft"] + 3.0).to_csv(
        tmp_path / "own.csv", index=False
    )
    out = tmp_path / "out"
    # Three per cent wider on each side: a proof that failed is an exit status of its own.
    assert run(case, *FEW, "--envelope", tmp_path / "own.csv", "--out", out) == 3
    text = capsys.readouterr().out
    assert "NOT PROVED" in text
    assert text.count("3.00 % MAC outside it") == 2
    assert "all intervals of an edge hold together at 95 %." in text
    data = pure((out / "buffers.json").read_text())
    assert (data["proved_envelope"], data["proof_fails"]) == ("own", True)
    excess = pd.read_csv(out / "own_envelope.csv")
    np.testing.assert_allclose(excess["outside"], 3.0, atol=1e-6)


def test_an_envelope_without_zero_fuel_limits_is_refused(
    case: Path, told: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = pd.read_csv(told / "envelope.csv")
    path = tmp_path / "own.csv"
    new[new["mass_kind"] == "landing"].to_csv(path, index=False)
    assert run(case, *FEW, "--envelope", path, "--out", tmp_path / "x") == 2
    assert "limits for zero-fuel mass" in capsys.readouterr().err
    assert not (tmp_path / "x").exists()
