"""Life in the cabin against closed forms, symmetry and the published share of people who sit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.linalg import expm

from cgrisk.flight import fly_block, prepare
from cgrisk.risk import cabin_figures, frozen_shares, occupancy, times_up
from cgrisk.risk.cabin import PUBLISHED_NEVER_UP
from cgrisk.sampling import simulate
from cgrisk.scenario import load_scenario
from tests.cabin_cases import NO_SERVICE, NOBODY_UP, cart, phase
from tests.flight_cases import SHIPPED, shipped_scenario
from tests.simpy_cases import certain


def figures(scenario, *, seed, flights):
    model = prepare(scenario)
    rows = fly_block(model, seed=seed, flights=np.arange(flights, dtype=np.uint32))
    return pd.DataFrame(rows, columns=model.columns)


@pytest.mark.parametrize("lavatories", [1, 3])
def test_lavatories_are_the_machine_repair_queue(lavatories, seed_offset):
    """Exponential times, nobody walks: a finite-source queue (M/M/c//N).

    The mean number away from the seat over a finite time from empty is exact: the integral of
    the birth-death chain's distribution, by the exponential of its generator.
    """
    people, minutes, rate, mean_s = 12, 600.0, 2.5, 420.0
    seats = [
        {"row": r, "letter": s, "arm": 20.0, "position": "aisle", "aisle": 1,
         "cabin_class": "economy"}
        for r in (1, 2) for s in "ABCDEF"
    ]  # fmt: skip
    cabin = shipped_scenario().resolved()["aircraft"]["cabin"] | {
        "first_row_arm": None,
        "seats": None,
        "rows": [],
        "seat_table": seats,
        "lavatories": [{"name": "here", "arm": 20.0, "count": lavatories, "queue_toward": "aft"}],
        "galleys": [],
        "water": None,
    }
    scenario = certain(
        {
            **NO_SERVICE,
            "aircraft.cabin": cabin,
            "operation.zones": [{"name": "A", "rows": "1-2", "adults": people, "children": 0}],
            "operation.parties": [],
            "operation.phases": [phase("cruise", minutes, fuel_flow=0.05)],
            "operation.behaviour.trips_aisle": rate,
            "operation.behaviour.lavatory_mean": mean_s,
            "operation.behaviour.lavatory_law": "exponential",
            "operation.behaviour.queue_spacing": 0.0,
            "operation.behaviour.queue_limit": 1000,
            "operation.crowd.sign_off_share": 0.0,
        }
    )
    frame = figures(scenario, seed=21 + seed_offset, flights=4000)
    seconds, up_rate = 60.0 * minutes, rate / 3600.0
    generator = np.zeros((people + 2, people + 2))
    for n in range(people + 1):
        if n < people:
            generator[n, n + 1] = up_rate * (people - n)
        if n > 0:
            generator[n, n - 1] = min(n, lavatories) / mean_s
        generator[n, n] = -generator[n].sum()
        generator[n, people + 1] = n  # the last column adds up the number away over time
    expected = expm(generator * seconds)[0, people + 1] / seconds
    error = frame["mean_up"].std(ddof=1) / np.sqrt(len(frame))
    assert abs(frame["mean_up"].mean() - expected) < 5.0 * error
    expected_trips = up_rate * (people - expected) * seconds
    error = frame["trips"].std(ddof=1) / np.sqrt(len(frame))
    assert abs(frame["trips"].mean() - expected_trips) < 5.0 * error


def test_a_mirrored_cabin_mirrors_the_moment(seed_offset):
    """Everything reflected about the middle of the seats: what was aft is forward, in law."""
    first, pitch, rows = 6.6, 0.8, 29
    middle = first + 0.5 * pitch * (rows - 1)
    mirror = lambda arm: 2.0 * middle - arm  # noqa: E731
    cabin = shipped_scenario().resolved()["aircraft"]["cabin"]
    service = [
        cart(),
        cart(galley="aft galley", from_row=29, to_row=15),
        cart(start=30.0, tray=0.0, mass_full=40.0, from_row=1, to_row=12),
    ]
    plain: dict[str, Any] = {
        "operation.parties": [],
        "operation.seating.scope": "cabin",
        "operation.service.carts": service,
        "operation.service.crew_walks": 4.0,
        "operation.crowd.surge_probability": 0.2,
        "operation.crowd.surge_toward": "aft",
    }
    reflected = plain | {
        "aircraft.cabin": cabin
        | {
            "lavatories": [
                lav | {"arm": mirror(lav["arm"]),
                       "queue_toward": "aft" if lav["queue_toward"] == "fore" else "fore"}
                for lav in cabin["lavatories"]
            ],
            "galleys": [g | {"arm": mirror(g["arm"])} for g in cabin["galleys"]],
            "crew_seats": [c | {"arm": mirror(c["arm"])} for c in cabin["crew_seats"]],
            "water": {
                "potable_arm": mirror(cabin["water"]["potable_arm"]),
                "waste_arm": mirror(cabin["water"]["waste_arm"]),
                "mass": cabin["water"]["mass"],
            },
        },
        "operation.service.carts": [
            c | {"from_row": rows + 1 - c["from_row"], "to_row": rows + 1 - c["to_row"]}
            for c in service
        ],
        "operation.crowd.surge_toward": "fore",
    }  # fmt: skip
    a = figures(certain(plain), seed=31 + seed_offset, flights=12_000)
    b = figures(certain(reflected), seed=32 + seed_offset, flights=12_000)
    for one, other in (("max", "min"), ("min", "max")):
        x = a[f"cabin_moment_{one}_kgm"].to_numpy()
        y = -b[f"cabin_moment_{other}_kgm"].to_numpy()
        error = np.sqrt(x.var(ddof=1) / x.size + y.var(ddof=1) / y.size)
        assert abs(x.mean() - y.mean()) < 5.0 * error
        assert stats.ks_2samp(x, y).pvalue > 1e-6
    # The case is not symmetric by itself, or this would say nothing.
    x, y = a["cabin_moment_max_kgm"], -a["cabin_moment_min_kgm"]
    assert stats.ks_2samp(x, y).pvalue < 1e-6


def test_shares_who_never_leave_their_seat_are_the_published_ones(seed_offset):
    """Hertzberg, Weiss et al., PNAS 115(14):3623 (2018), flights of 3.5 to 5.2 h.

    57, 48 and 20 % of passengers on window, middle and aisle seats never got up: printed to a
    whole percent. The split of all passengers by times up is not fitted: published (quoted
    second-hand) 40 / 40 / 20 %.
    """
    scenario = load_scenario(Path(SHIPPED) / "long_flight.toml")
    sample = simulate(scenario, flights=4000, seed=51 + seed_offset, jobs=2)
    table = times_up(sample).set_index(["seat", "times"])
    for seat, published in PUBLISHED_NEVER_UP.items():
        row = table.loc[(seat, "never")]
        assert abs(row["share"] - published) < 0.005 + 5.0 * row["standard_error"]
        assert row["published"] == published
    unfitted = table.loc["all"]
    assert not unfitted["fitted"].any()
    assert unfitted["share"].sum() == pytest.approx(1.0)
    assert unfitted["published"].tolist() == [0.40, 0.40, 0.20]
    assert (unfitted["share"] - unfitted["published"]).abs().max() < 0.10


def test_the_occupancy_map_adds_up_to_the_people_up():
    sample = simulate(shipped_scenario(), flights=60, seed=3)
    table = occupancy(sample, flights=60, step_s=20.0)
    by_time = table.groupby("time_min")["mean_passengers"].sum()
    # The mean over instants is the mean over time but for what changes within a step.
    assert by_time.mean() == pytest.approx(sample.frame["mean_up"].mean(), rel=0.02)
    assert by_time.max() < sample.frame["passengers"].max()
    rows = cabin_figures(sample).set_index("figure")
    assert rows.loc["mean_up", "mean"] == pytest.approx(sample.frame["mean_up"].mean())


def test_a_cause_that_alone_varies_has_the_whole_share():
    """Only dry mass and CG vary: their share is 1, the others' 0."""
    still = certain(
        {
            **NOBODY_UP,
            **NO_SERVICE,
            "operation.mass.body": {
                k: {"mean": 80.0, "sd": 0.0, "skewness": 0.0} for k in ("men", "women", "children")
            }
            | {"bias": 0.0, "bias_sd_operation": 0.0},
            "operation.mass.bag": {"mean": 0.0, "sd": 0.0, "none_share": 1.0},
            "operation.zones": [{"name": "A", "rows": "1-29", "adults": 174, "children": 0}],
            "operation.parties": [],
            "aircraft.dry_uncertainty.cg_sd_flight": 0.4,
            "aircraft.dry_uncertainty.mass_sd_flight": 50.0,
        }
    )
    sample = simulate(still, flights=2000, seed=5)
    table = frozen_shares(sample, flights=2000)
    for answer, part in table.groupby("answer"):
        shares = part.set_index("cause")["share"]
        errors = part.set_index("cause")["standard_error"]
        joint = part.set_index("cause")["with_joint_effects"]
        assert abs(shares["dry"] - 1.0) < 5.0 * errors["dry"], answer
        for cause in ("seating", "mass", "movement", "cargo"):
            assert abs(shares[cause]) < 1e-9
            assert abs(joint[cause]) < 1e-9


def test_shares_of_a_sum_are_those_of_its_terms():
    """Cargo and dry CG alone vary: the moments of independent terms add, and so do the shares."""
    scenario = certain(
        {
            **NOBODY_UP,
            **NO_SERVICE,
            "operation.seating.rule": "from_front",
            "operation.mass.body": {
                k: {"mean": 80.0, "sd": 0.0, "skewness": 0.0} for k in ("men", "women", "children")
            }
            | {"bias": 0.0, "bias_sd_operation": 0.0},
            "operation.mass.bag": {"mean": 0.0, "sd": 0.0, "none_share": 1.0},
            "operation.parties": [],
            "operation.cargo.position_sd": 0.1,
            "aircraft.dry_uncertainty.cg_sd_flight": 0.3,
        }
    )
    sample = simulate(scenario, flights=6000, seed=5)
    parts = sample.frame[["take_off_error_kgm.dry", "take_off_error_kgm.cargo"]].var()
    expected = float(parts.iloc[0] / parts.sum())
    table = frozen_shares(sample, flights=6000)
    part = table[table["answer"] == "most_aft_error_in_flight"].set_index("cause")
    for column, error in (
        ("share", "standard_error"),
        ("with_joint_effects", "joint_standard_error"),
    ):
        assert abs(part.loc["dry", column] - expected) < 5.0 * part.loc["dry", error] + 0.01
        assert abs(part.loc["cargo", column] - 1 + expected) < 5.0 * part.loc["cargo", error] + 0.01
    assert abs(part.loc["together", "share"]) < 5.0 * part.loc["together", "standard_error"]
