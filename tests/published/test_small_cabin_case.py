"""A published investigation of a 19-seat aircraft, done again with the invented commuter.

NTSB AAR-04/01 (read): passengers 20 lb heavier on average than the load sheet took them for, the
aircraft 580 lb over its maximum take-off mass, its CG about 5 % MAC aft of the limit; the load
sheet showed neither. Here the load sheet stands at the maximum mass and just inside the aft limit,
with every seat taken. Passengers are 20 lb over the load sheet's mass. The other 200 lb are put
down to bags that weigh what the European survey found (15.9 kg, EASA.2021.C24, second-hand) and
count 13 kg: 31 of them make up the 580 lb. How the report splits the mass is not told here, nor
has the invented aircraft the arms of the real one: mass comes out as reported, the shift of the CG
as this aircraft's own arithmetic has it.
"""

from __future__ import annotations

import sys
from typing import Any

import numpy as np
import pytest
from scipy import stats

from cgrisk.flight import fly_block, prepare
from cgrisk.scenario import Scenario, load_scenario
from cgrisk.units import LB_TO_KG
from tests.flight_cases import SHIPPED, edited
from tests.simpy_cases import CERTAIN

STANDARD_KG, BAGS, OVER_KG = 80.0, 31, 20.0 * LB_TO_KG
BODY_SD, BAG_SD, CHECKED_SD = 17.0, 3.5, 5.0
FLIGHTS = 20_000


def case(**changes: Any) -> Scenario:
    """Full cabin, bags aft, nothing in doubt but masses; men and women weigh alike."""
    bag = {"mean": 8.0, "sd": BAG_SD, "none_share": 0.0}
    body = {"mean": STANDARD_KG - 8.0 + OVER_KG, "sd": BODY_SD, "skewness": 1.2}
    return edited(
        {
            **CERTAIN,
            "operation.zones": [
                {"name": "A", "rows": "1-3", "adults": 6},
                {"name": "B", "rows": "4-7", "adults": 8},
                {"name": "C", "rows": "8-10", "adults": 5},
            ],
            "aircraft.masses.dry_operating_cg": 23.0,
            "operation.parties": [],
            "operation.load_sheet.basis": "all_adult",
            "operation.load_sheet.adult_mass": STANDARD_KG,
            "operation.load_sheet.mass_step": 0.0,
            "operation.load_sheet.index_step": 0.0,
            "operation.load_sheet.cg_step": 0.0,
            "operation.hold_loads": [{"hold": "aft hold", "bags": BAGS, "cargo": 0.0}],
            "operation.mass.body.men": body,
            "operation.mass.body.women": body,
            "operation.mass.bag": bag,
            "operation.cargo.bag_mean": 15.9,
            "operation.cargo.bag_sd": CHECKED_SD,
            "operation.fuel.block": 867.0,
            "operation.behaviour.trips_aisle": 0.0,
            "operation.crowd.sign_off_share": 0.0,
            **changes,
        },
        load_scenario(SHIPPED.parent / "commuter"),
    )


@pytest.fixture(scope="module")
def flown(seed_offset):
    model = prepare(case())
    rows = fly_block(model, seed=91 + seed_offset, flights=np.arange(FLIGHTS, dtype=np.uint32))
    return model, dict(zip(model.columns, rows.T, strict=True))


def tell(text: str) -> None:
    """Say what was found; shown by ``pytest -s``."""
    sys.stdout.write(f"\n{text}\n")


def drawn_again(model, *, flights: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Take-off mass (kg) and CG (% MAC), drawn by numpy's own generators."""
    rng = np.random.default_rng(seed)
    mean = STANDARD_KG - 8.0 + OVER_KG
    # the lognormal of skewness 1.2, by the root of its cubic
    w = float(np.real(next(r for r in np.roots([1, 3, 0, -4 - 1.2**2]) if abs(r.imag) < 1e-9)))
    scale = BODY_SD / np.sqrt(w * (w - 1.0))
    people = mean - scale * np.sqrt(w) + scale * np.exp(
        np.sqrt(np.log(w)) * rng.normal(size=(flights, 19))
    )  # fmt: skip
    variance = np.log1p((BAG_SD / 8.0) ** 2)
    people += rng.lognormal(np.log(8.0) - variance / 2.0, np.sqrt(variance), size=people.shape)
    bags = BAGS * 15.9 + np.sqrt(BAGS) * CHECKED_SD * rng.normal(size=flights)
    arms = np.array([4.30 + 0.76 * row for row in range(10) for _ in range(2)][:19])
    sheet = model.program.sheet
    dry_kg, dry_arm = 4_720.0, 7.10 + 0.23 * 1.80
    mass = dry_kg + people.sum(axis=1) + bags + sheet.take_off_fuel_kg
    moment = dry_kg * dry_arm + people @ arms + bags * 12.75 + sheet.take_off_fuel_moment_kgm
    return mass, 100.0 * (moment / mass - 7.10) / 1.80


def test_load_sheet_shows_nothing() -> None:
    """On paper: at the maximum take-off mass, and inside the aft limit of 40 % to the end."""
    model = prepare(case())
    planned = model.planned[model.planned["phase"] == "take_off"].iloc[0]
    assert planned["mass_kg"] == pytest.approx(7_500.0, abs=1.0)
    assert planned["mass_kg"] <= 7_500.0
    assert planned["cg_pct_mac"] > 39.0
    margins = model.planned_margins.set_index(["phase", "side"])["margin_pct_mac"]
    assert (margins > 0.0).all()


def test_size_of_overload_and_shift(flown) -> None:
    """19 x 20 lb and 31 x 2.9 kg are 578 lb, 580 reported; the aft shift by moments."""
    model, figures = flown
    planned = model.planned[model.planned["phase"] == "take_off"].iloc[0]
    over = figures["take_off_mass_kg"] - planned["mass_kg"]
    mean = 19 * OVER_KG + BAGS * 2.9
    sd = np.sqrt(19 * (BODY_SD**2 + BAG_SD**2) + BAGS * CHECKED_SD**2)
    assert mean / LB_TO_KG == pytest.approx(580.0, abs=2.0)
    assert abs(over.mean() - mean) < 5.0 * sd / np.sqrt(FLIGHTS)
    assert over.std() == pytest.approx(sd, rel=0.04)
    # moments about the planned CG: people hardly count, for they sit about it; bags do
    arms = np.array([4.30 + 0.76 * row for row in range(10) for _ in range(2)][:19])
    start = 7.10 + 1.80 * planned["cg_pct_mac"] / 100.0
    moved = OVER_KG * (arms - start).sum() + BAGS * 2.9 * (12.75 - start)
    by_hand = 100.0 * moved / (planned["mass_kg"] + mean) / 1.80
    shift = figures["take_off_cg_pct_mac"] - planned["cg_pct_mac"]
    assert by_hand == pytest.approx(2.83, abs=0.1)
    # the mean of a quotient is not the quotient of means: within a hundredth
    assert abs(shift.mean() - by_hand) < 5.0 * shift.std() / np.sqrt(FLIGHTS) + 0.01
    tell(
        f"over the maximum take-off mass by {over.mean():.1f} +- {over.std() / FLIGHTS**0.5:.1f} kg"
        f" ({over.mean() / LB_TO_KG:.0f} lb), SD {over.std():.0f} kg; CG aft by "
        f"{shift.mean():.2f} +- {shift.std() / FLIGHTS**0.5:.2f} % MAC, SD {shift.std():.2f}"
    )


def test_probabilities_are_those_of_independent_draws(flown, seed_offset) -> None:
    model, figures = flown
    mass, cg = drawn_again(model, flights=FLIGHTS, seed=17 + seed_offset)
    aft = figures["margin_pct_mac.take_off.aft"] < 0.0
    for name, ours, theirs in (
        ("over mass", figures["mass_margin_kg.take_off"] < 0.0, mass > 7_500.0),
        ("aft of the limit", aft, cg > 40.0),
        ("both", aft & (figures["mass_margin_kg.take_off"] < 0.0), (cg > 40.0) & (mass > 7_500.0)),
    ):
        p, q = ours.mean(), theirs.mean()
        both = (p + q) / 2.0
        se = np.sqrt(max(both * (1.0 - both), 1.0 / FLIGHTS) * 2.0 / FLIGHTS)
        assert abs(p - q) < 5.0 * se, name
        tell(f"{name}: {p:.4f} +- {np.sqrt(p * (1 - p) / FLIGHTS):.4f} of flights, again {q:.4f}")
    assert stats.ks_2samp(figures["take_off_mass_kg"], mass).pvalue > 1e-6
    assert figures["mass_margin_kg.take_off"].mean() == pytest.approx(-262.0, abs=5.0)
    assert (figures["mass_margin_kg.take_off"] < 0.0).mean() > 0.99
    assert aft.mean() > 0.8


def test_with_true_masses_nothing_of_it_is_left(seed_offset) -> None:
    """People and bags of the load sheet's masses on average: over mass on half the flights.

    A load sheet at the very maximum is over it every other time; its CG is beyond the limit by
    chance alone.
    """
    body = {"mean": STANDARD_KG - 8.0, "sd": BODY_SD, "skewness": 0.0}
    changes = {"operation.mass.body.men": body, "operation.mass.body.women": body}
    model = prepare(case(**changes, **{"operation.cargo.bag_mean": 13.0}))
    rows = fly_block(model, seed=92 + seed_offset, flights=np.arange(FLIGHTS, dtype=np.uint32))
    figures = dict(zip(model.columns, rows.T, strict=True))
    over = figures["take_off_mass_kg"] - float(
        model.planned[model.planned["phase"] == "take_off"]["mass_kg"].iloc[0]
    )
    assert abs(over.mean()) < 5.0 * over.std() / np.sqrt(FLIGHTS)
    chance = stats.norm.sf((7_500.0 - (figures["take_off_mass_kg"] - over).mean()) / over.std())
    count = int((figures["mass_margin_kg.take_off"] < 0.0).sum())
    # the cabin bags' skewness bends the normal law by less than this
    assert count / FLIGHTS == pytest.approx(chance, abs=5.0 * 0.5 / np.sqrt(FLIGHTS) + 0.02)


def test_the_scale_would_have_shown_it(seed_offset) -> None:
    """The same people weighed: the load sheet itself is over the maximum and aft of the limit."""
    weighed = prepare(case(**{"operation.load_sheet.basis": "weighed"}))
    planned = weighed.planned[weighed.planned["phase"] == "take_off"].iloc[0]
    assert planned["mass_kg"] == pytest.approx(7_500.0 + 19 * OVER_KG, abs=1.0)
    # bags are not weighed: their 90 kg stay hidden, the people's 172 kg do not
    rows = fly_block(weighed, seed=93 + seed_offset, flights=np.arange(4_000, dtype=np.uint32))
    figures = dict(zip(weighed.columns, rows.T, strict=True))
    hidden = figures["take_off_mass_kg"] - planned["mass_kg"]
    sd = np.sqrt(BAGS * CHECKED_SD**2 + (0.005 * 19 * (STANDARD_KG + OVER_KG)) ** 2)
    assert abs(hidden.mean() - BAGS * 2.9) < 5.0 * sd / np.sqrt(4_000)
    assert hidden.std() == pytest.approx(sd, rel=5.0 / np.sqrt(2.0 * 4_000))
