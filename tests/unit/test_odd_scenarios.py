"""Legal scenarios at the edges: every one flies, is summed up, charted and described."""

from __future__ import annotations

import json

import numpy as np
import pytest

from cgrisk.causes.stress import STRESS_CASES, WINTER_KG
from cgrisk.flight import prepare
from cgrisk.report import check_text
from cgrisk.report.dossier.case_sections import particulars
from cgrisk.report.file_units import FileUnits
from cgrisk.report.publish import publish
from cgrisk.risk.summary import figures_text, summarise
from cgrisk.sampling import simulate
from cgrisk.scenario import load_scenario
from cgrisk.scenario.registry import assumption_register
from tests.cabin_cases import cart
from tests.flight_cases import SHIPPED, edited, shipped_scenario


def _zone(adults: int, children: int = 0) -> list[dict[str, object]]:
    return [{"name": "all", "rows": "1-29", "adults": adults, "children": children}]


TAKE_OFF = shipped_scenario().resolved()["operation"]["phases"][1]
CASES = {
    "no holds": {"aircraft.holds": [], "operation.hold_loads": []},
    "no parties": {"operation.parties": []},
    "one zone": {"operation.zones": _zone(148)},
    "full": {"operation.zones": _zone(174)},
    "nobody": {"operation.zones": _zone(0)},
    "children": {"operation.zones": _zone(1, 150)},
    "certified limits alone": {"operation.operational_envelope": None},
    "one aircraft": {"operation.fleet": 1},
    "free in the cabin": {"operation.seating.scope": "cabin"},
    "nothing moves": {
        "operation.fuel.density_sd": 0.0,
        "operation.fuel.burn_sd": 0.0,
        "operation.cargo.position_sd": 0.0,
    },
    "take-off alone": {"operation.phases": [TAKE_OFF]},
    "no flow in cruise": {"operation.phases.3.fuel_flow": 0.0},
    "tanks run dry": {"operation.fuel.block": 5200.0},
    "one row": {
        "aircraft.cabin.rows": [
            {"rows": "1", "pitch": 0.8, "seats": None, "cabin_class": "economy"}
        ],
        "aircraft.cabin.lavatories": [],
        "aircraft.cabin.galleys": [{"name": "at the row", "arm": 6.6, "standing": 2}],
        "aircraft.cabin.crew_seats": [],
        "operation.zones": [{"name": "all", "rows": "1", "adults": 4, "children": 0}],
        "operation.service.carts": [cart(galley="at the row", from_row=1, to_row=1)],
    },
    "no lavatories, no galleys, no carts": {
        "aircraft.cabin.lavatories": [],
        "aircraft.cabin.galleys": [],
        "operation.service.carts": [],
    },
    "fuel index table": {
        "aircraft.tanks": [],
        "aircraft.refuel_order": [],
        "aircraft.burn_schedule": [],
        "aircraft.fuel_index": [[0.0, 0.0], [2000.0, -1.0], [6000.0, -2.5], [14000.0, 0.5]],
    },
}


#: Whose charts lack something, or have it in an odd form; the others' are those of the usual case.
DRAWN = ("nobody", "certified limits alone", "take-off alone", "one row", "fuel index table")


@pytest.mark.parametrize("name", CASES)
def test_an_odd_scenario_flies(name, tmp_path):
    scenario = edited(CASES[name])
    for flights in (1, 200):
        sample = simulate(scenario, flights=flights, seed=1)
        summary = summarise(sample)
        json.dumps(summary.answer(flights_per_second=1.0), allow_nan=False)
        assert "limit" in figures_text(summary) + summary.decision()
    figures = sample.frame.drop(columns=[c for c in sample.frame if ".in_flight" in c])
    assert np.isfinite(figures.to_numpy()).all()
    pictures = name in DRAWN
    publish(tmp_path, summary=summary, pictures=pictures)
    model = sample.model
    charts = 7 + (not model.planned_trim.empty) + (model.take_off is not None)
    assert len(list((tmp_path / "charts").iterdir())) == (3 if pictures else 1) * charts
    assert scenario.name in check_text(scenario)


def test_masses_never_rise_and_fuel_never_runs_below_empty():
    from cgrisk.flight import prepare, trace

    model = prepare(edited(CASES["tanks run dry"]))
    for flight in range(20):
        path = trace(model, seed=3, flight=flight)
        assert (np.diff(path["mass_kg"]) <= 1e-9).all()
        assert (np.diff(path["time_s"]) >= 0.0).all()


def test_one_phase_has_its_own_masses_and_the_gear_down_at_its_start():
    sample = simulate(edited(CASES["take-off alone"]), flights=50, seed=1)
    frame = sample.frame
    assert (frame["landing_mass_kg"] == frame["take_off_mass_kg"]).all()
    assert (frame["landing_cg_pct_mac"] == frame["take_off_cg_pct_mac"]).all()
    # Gear down as the limits refer to, flaps at take-off: 160 kg m aft of retracted.
    np.testing.assert_allclose(frame["take_off_error_kgm.configuration"], 160.0, atol=1e-6)
    assert set(summarise(sample).mass["maximum"]) == {"taxi", "take_off", "zero_fuel"}


def test_without_an_operational_envelope_no_answer_claims_one():
    sample = simulate(edited(CASES["certified limits alone"]), flights=50, seed=1)
    assert "certified limit (no operational one is given)" in summarise(sample).decision()


def test_flights_that_run_dry_are_a_finding():
    assert "burn all their fuel" in check_text(edited(CASES["tanks run dry"]))
    assert "burn all their fuel" not in check_text(shipped_scenario())


def test_parts_that_do_not_vary_have_no_shares():
    still = {
        "aircraft.dry_uncertainty.mass_sd_aircraft": 0.0,
        "aircraft.dry_uncertainty.mass_sd_flight": 0.0,
        "aircraft.dry_uncertainty.cg_sd_aircraft": 0.0,
        "aircraft.dry_uncertainty.cg_sd_flight": 0.0,
        "aircraft.fuel_uncertainty.gauging_of_reading": 0.0,
        "aircraft.fuel_uncertainty.gauging_of_capacity": 0.0,
        "operation.fuel.density_sd": 0.0,
        "operation.fuel.burn_sd": 0.0,
        "operation.passengers.last_minute_off": 0.0,
        "operation.passengers.last_minute_on": 0.0,
    }
    scenario = edited(CASES["nobody"] | CASES["no holds"] | still)
    causes = summarise(simulate(scenario, flights=300, seed=1)).causes
    assert (causes["share_of_variance"] == 0.0).all()


def test_the_check_tells_classes_infants_and_the_crew_rest() -> None:
    twin = check_text(load_scenario(SHIPPED.parent / "twin_aisle"))
    assert (
        "\nbusiness: rows 1 to 5, 30 seats; lavatories: forward lavatories; "
        "galleys: forward galley, mid galley\n"
    ) in twin
    assert "\ncrew rest: 5 bunks, arm 36.40 m\n" in twin
    assert "Infants" not in twin
    commuter = check_text(load_scenario(SHIPPED.parent / "commuter"))
    assert "Infants on laps: 1, without a seat and within the mass" in commuter
    assert "economy" not in commuter


def test_a_name_is_no_assumption() -> None:
    """Its table's source speaks of figures: how late a transfer is, not what it is called."""
    assumed = {
        entry.key.removeprefix("aircraft.fuel_transfers[0].")
        for entry in assumption_register(load_scenario(SHIPPED.parent / "twin_aisle"))
        if entry.assumed and entry.key.startswith("aircraft.fuel_transfers[0].")
    }
    assert assumed == {"at_fuel", "flow", "quantity", "late_mean", "stuck"}


def test_a_report_tells_what_not_every_case_has() -> None:
    units = FileUnits("kg/m")
    twin = prepare(load_scenario(SHIPPED.parent / "twin_aisle"))
    assert particulars(twin, units=units) == [
        "Classes: business, 30 seats, economy, 268 seats.",
        "Fuel is moved in flight, “trim transfer aft”: from left inner, right inner to trim at "
        "58,000 kg aboard, late by 3 min on the mean, stuck with a chance of 0.001.",
        "Fuel is moved in flight, “trim transfer forward”: from trim to left inner, right inner at "
        "14,500 kg aboard, late by 5 min on the mean, stuck with a chance of 0.0002.",
    ]
    winter = {"operation.mass.season": "winter"}
    commuter = edited(winter, load_scenario(SHIPPED.parent / "commuter"))
    assert particulars(prepare(commuter), units=units) == [
        "Infants on laps: 1.",
        "The load sheet counts men and women apart, each at a standard mass.",
        "The passengers are those of the winter.",
    ]
    assert particulars(prepare(shipped_scenario()), units=units) == []


@pytest.mark.parametrize(("season", "added"), [("all_year", WINTER_KG), ("winter", 0.0)])
def test_winter_clothes_are_not_put_on_twice(season: str, added: float) -> None:
    data = edited({"operation.mass.season": season}).resolved()
    before = data["operation"]["mass"]["body"]["bias"]
    note = STRESS_CASES[f"winter clothes, {WINTER_KG} kg an adult"](data)
    assert data["operation"]["mass"]["body"]["bias"] == before + added
    assert bool(note) == (added == 0.0)
