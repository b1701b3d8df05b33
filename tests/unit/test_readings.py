"""Readings of a sample against direct counts."""

from __future__ import annotations

import numpy as np
import pytest

from cgrisk.flight import (
    fly_block,
    group_phases,
    operational_shift,
    phase_column,
    prepare,
)
from cgrisk.risk.readings import (
    AS_PLANNED,
    AT_LIMIT,
    cause_shares,
    excess,
    leave_envelope,
    outside,
)
from cgrisk.risk.summary import figures_text, summarise
from cgrisk.sampling import layout_of, simulate
from cgrisk.scenario.catalogue import json_schemas
from cgrisk.scenario.registry import assumption_register, is_unused
from tests.flight_cases import edited, shipped_scenario


@pytest.fixture(scope="module")
def sample():
    return simulate(shipped_scenario(), flights=8000, seed=5, jobs=2)


def test_counts_are_those_of_the_rows(sample):
    table = leave_envelope(sample)
    groups = group_phases(sample.model) | {p: (p,) for p in sample.model.phases}
    for _, row in table[table["reading"] == AS_PLANNED].iterrows():
        columns = [
            phase_column("margin_pct_mac", phase=p, side=row["side"]) for p in groups[row["phase"]]
        ]
        assert row["hits"] == int((sample.frame[columns] < -1e-9).any(axis=1).sum())


def test_shifting_the_load_by_hand_gives_the_reading_at_the_limit(sample):
    """The same flights with the moment of the shift added to the dry operating moment."""
    shift = operational_shift(sample.model, side="forward")
    scenario = sample.model.scenario
    dry = scenario.aircraft.masses.dry_operating
    index = scenario.aircraft.masses.dry_operating_index
    scale = scenario.aircraft.reference.index_scale
    moved = edited({"aircraft.masses.dry_operating_index": index - shift.moment_kgm / scale})
    again = simulate(moved, flights=8000, seed=5)
    side, any_phase = leave_envelope(again), leave_envelope(sample)
    before = any_phase[
        (any_phase["side"] == "forward")
        & (any_phase["phase"] == "any")
        & (any_phase["reading"] == AT_LIMIT)
    ]
    after = side[
        (side["side"] == "forward") & (side["phase"] == "any") & (side["reading"] == AS_PLANNED)
    ]
    # The sampled dry mass differs from the papers', so the moved arm adds a little elsewhere.
    assert dry > 0
    assert before["hits"].iloc[0] == pytest.approx(after["hits"].iloc[0], abs=8)


def test_shares_add_up_and_excess_is_a_difference_of_margins(sample):
    shares = cause_shares(sample)
    assert shares["share_of_variance"].sum() == pytest.approx(1.0, abs=1e-9)
    d = excess(sample, side="aft", group="any")
    columns = [phase_column("margin_pct_mac", phase=p, side="aft") for p in sample.model.phases]
    planned = sample.model.planned_margins
    least = planned.loc[planned["side"] == "aft", "margin_pct_mac"].min()
    np.testing.assert_allclose(d, least - sample.frame[columns].min(axis=1))


def test_few_flights_state_no_shares():
    few = summarise(simulate(shipped_scenario(), flights=99, seed=5))
    assert few.causes["share_of_variance"].isna().all()
    assert few.frozen["share"].isna().all()
    assert "told apart from 100 flights on" in figures_text(few)
    assert "per flight, with 95 % intervals, each by itself" in figures_text(few)
    assert "with 90 % intervals" in figures_text(summarise(few.sample, confidence=0.9))


def test_depth_and_time_outside_belong_to_flights_that_left(sample):
    table = outside(sample)
    for _, row in table.iterrows():
        if row["flights_outside"]:
            assert row["greatest_depth_pct_mac"] > 0.0
            assert row["greatest_minutes"] > 0.0
            assert row["worst_flight"] >= 0
        else:
            assert row["worst_flight"] == -1


def test_the_answer_is_plain_json(sample):
    import json

    data = summarise(sample).answer(flights_per_second=1.0)
    json.dumps(data, allow_nan=False)


def test_schemas_are_the_committed_ones():
    import json
    from pathlib import Path

    import cgrisk.scenario

    folder = Path(cgrisk.scenario.__file__).parent / "schema"
    for stem, schema in json_schemas().items():
        assert json.loads((folder / f"{stem}.schema.json").read_text()) == schema


def _changed(value, key):
    """Return another legal value for a leaf, or None where text alone is meant."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    if isinstance(value, float):
        if value == 0.0:
            return 0.05
        # A share may not pass 1.
        return value * 0.5 if 0.0 < value <= 1.0 else value * 1.02
    return {
        "operation.seating.rule": "from_front",
        "operation.seating.scope": "cabin",
        "operation.seating.blocked": ["1A"],
        "aircraft.limits_refer_to.gear": "up",
        "aircraft.limits_refer_to.flaps": "landing",
        "aircraft.limits_already_include": ["gear", "flaps"],
        "operation.behaviour.lavatory_law": "exponential",
        "operation.crowd.surge_toward": "fore",
        "operation.load_sheet.basis": "by_sex",
        "operation.mass.season": "summer",
    }.get(key)


#: Bound to other values: the file format's version, and a capacity that its layers add up to.
#: No phase flies the retracted position by name: its moment is 0 by definition.
#: Nobody collects what the last rounds leave; in take-off and landing nobody gets up anyway.
_BOUND = {
    "schema",
    "capacity",
    "aircraft.flaps[0].moment",
    "operation.service.carts[2].returned",
    "operation.service.carts[3].returned",
    "operation.phases[1].getting_up",
    "operation.phases[6].getting_up",
    "operation.phases[6].sign",
    "operation.phases[1].asleep",
    "operation.phases[6].asleep",
    # No crew rest in the shipped case.
    "crew_resting",
    # The retracted position has no lift; stall speeds are those of the take-off position; the
    # trim is not followed on the ground; the tail is far from its limits.
    "aircraft.flaps[0].downwash_factor",
    "aircraft.flaps[0].greatest_lift",
    "aircraft.flaps[2].greatest_lift",
    "operation.phases[0].speed_kt",
    "operation.phases[7].speed_kt",
    "operation.phases[7].altitude_ft",
    "aircraft.ground_run.tail_lift_least",
    "aircraft.ground_run.tail_lift_greatest",
    # Errors on the load sheet are told apart from the flights.
    "probability",
    "operation.entry_errors[0].people",
    "operation.entry_errors[1].people",
    "operation.entry_errors[2].people",
}
#: Changes large enough to show in a figure that was round before.
_COARSE = {
    "aircraft.cabin.galleys[0].standing": 1,
    "aircraft.cabin.galleys[1].standing": 1,
    "aircraft.cabin.water.mass": 10.0,
    "aircraft.stabilizer.step": 0.7,
    "aircraft.stabilizer.rate_flaps_up": 0.001,
    "aircraft.stabilizer.rate_flaps_down": 0.001,
    "aircraft.stabilizer.elevator_down": 10.0,
    "operation.service.carts[1].crew": 1,
    "operation.service.carts[3].crew": 1,
    "operation.service.carts[1].from_row": 28,
    "operation.service.carts[3].from_row": 28,
    "aircraft.burn_schedule[1].down_to": 4.0,
    "operation.load_sheet.arm_step": 0.3,
    "operation.load_sheet.mass_step": 100.0,
    "operation.load_sheet.cg_step": 3.0,
    "operation.load_sheet.index_step": 3.0,
    "operation.load_sheet.infant_mass": 12.0,
}
#: What counts only where the load sheet takes passengers' masses from elsewhere.
_BASIS = {
    "operation.load_sheet.male_mass": "by_sex",
    "operation.load_sheet.female_mass": "by_sex",
    "operation.load_sheet.scale_error": "weighed",
}


def _signature(scenario):
    model = prepare(scenario)
    rows = fly_block(model, seed=1, flights=np.arange(400, dtype=np.uint32))
    margins = model.operational_margins["moment_margin_kgm"].to_numpy()
    limits = repr(layout_of(model).limits)
    return rows.tobytes() + margins.tobytes() + limits.encode()


def test_every_number_moves_the_answer_or_is_reported_unused():
    """Some numbers matter only beside others: the base case has parties, movers, steps, a surge."""
    base = edited(
        {
            "operation.crowd.surge_probability": 0.4,
            "operation.service.reseating_share": 0.4,
            "operation.phases.4.sign": True,
            "operation.phases.4.getting_up": 0.9,
            "operation.mass.season": "winter",
            "operation.zones.0.infants": 2,
            "operation.crowd.before_landing_factor": 1.5,
        }
    )
    bases = {
        basis: edited({"operation.load_sheet.basis": basis}, base=base)
        for basis in ("all_adult", "by_sex", "weighed")
    }
    before = {basis: _signature(scenario) for basis, scenario in bases.items()}
    silent, tried = [], 0
    for item in assumption_register(base):
        leaf = item.key.rsplit(".", 1)[-1].split("[", 1)[0]
        value = _COARSE.get(item.key, _changed(item.value, item.key))
        if value is None or leaf in _BOUND or item.key in _BOUND:
            continue
        path = item.key.replace("[", ".").replace("]", "")
        basis = _BASIS.get(item.key, "all_adult")
        changed = edited({path: value}, base=bases[basis])
        tried += 1
        moved = _signature(changed) != before[basis]
        if moved == is_unused(item.key):
            silent.append((item.key, item.value, value, "moved" if moved else "did nothing"))
    assert tried > 100
    assert silent == []
