"""The least restriction: against exact risks, hold load first, none that meets, lucky winners."""

from __future__ import annotations

import copy
import math
import types
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cgrisk.decide import restriction_cells
from cgrisk.decide.policy_cells import Cell, Task
from cgrisk.decide.restriction import Family, Restriction
from cgrisk.decide.restriction_cells import Screen
from cgrisk.decide.restriction_draft import Answer, DraftLine, draft_lines
from cgrisk.decide.restriction_proof import Proof, confirm, flights_to_confirm, proof_seed
from cgrisk.decide.restriction_search import RestrictionStudy, flights_for, least_restriction
from cgrisk.errors import UsageError
from cgrisk.rare import Meter
from cgrisk.report.publish_restriction import publish_restriction
from cgrisk.report.restriction_text import draft_text, restriction_answer, restriction_text
from cgrisk.risk.sequential import any_time_intervals
from cgrisk.runs.shelf import Shelf
from tests.cut_cases import SMALL
from tests.flight_cases import edited, shipped_scenario
from tests.restriction_cases import eight_rows, exact_risks, searched

TARGET = 0.02


def task(scenario=None, **changes: Any) -> Task:
    values: dict[str, Any] = {"target": TARGET, "seed": 5, "flights": 2048, "jobs": 1, **changes}
    return Task(scenario=eight_rows(0.5) if scenario is None else scenario, **values)


def ask(asked: Task, file=None, counts=(20,), **more: Any) -> RestrictionStudy:
    file = searched(near=1) if file is None else file
    return least_restriction(asked, file, counts=np.array(counts), **more)


def by_enumeration(asked: Task, family: Family, n: int) -> list[tuple[int, float, Restriction]]:
    """(seats, exact risk on the worse side, restriction) of the whole family."""
    every = [Restriction(), *(x for grown in family.members(n).values() for x in grown)]
    return [
        (
            family.blocked(one, passengers=n),
            max(exact_risks(family.scenario_of(one, passengers=n), asked)),
            one,
        )
        for one in every
    ]


@pytest.fixture(scope="module")
def study() -> RestrictionStudy:
    return ask(task())


def test_the_least_restriction_is_that_of_the_enumeration(study: RestrictionStudy) -> None:
    every = by_enumeration(study.task, study.family, 20)
    meeting = sorted((seats, risk) for seats, risk, _ in every if risk < TARGET)
    (least,) = [one for seats, risk, one in every if (seats, risk) == meeting[0]]
    # The case is a clear one: nothing that blocks no more comes within twice the target.
    assert all(r > 2 * TARGET for seats, r, one in every if seats <= meeting[0][0] and one != least)
    answer = study.answers[0]
    assert answer.status == "confirmed"
    assert answer.restriction == least
    assert answer.words == "block rows 1-2"
    assert (answer.seats_blocked, answer.seats_left) == (12, 36)
    # The intervals of all that was flown hold the exact risks, at a confidence to fail 1e-6 of.
    for one, cell in screen_cells(study).items():
        exact = exact_risks(study.family.scenario_of(one, passengers=20), study.task)
        low, high = any_time_intervals(
            cell.beyond.sum(axis=1), flights=cell.flights, confidence=1.0 - 1e-6, near=TARGET
        )
        assert (low <= exact).all()
        assert (exact <= high).all()


def screen_cells(study: RestrictionStudy) -> dict[Restriction, Cell]:
    screen = Screen(replace(study.task, both_sides=False), study.family, 20, Meter())
    screen.least()
    return screen.cells


def test_the_fresh_flights_agree_with_the_exact_risk(study: RestrictionStudy) -> None:
    answer, family = study.answers[0], study.family
    (proof,) = answer.proofs
    assert proof.confirmed_at == (19, 20, 21)
    assert proof.each == pytest.approx(0.05 / (5 * 3 * 2 * 2))  # attempts, numbers, sides, looks
    for row in proof.table.to_dict("records"):
        n, side = row["passengers"], ("forward", "aft").index(row["side"])
        exact = exact_risks(family.scenario_of(answer.restriction, passengers=n), study.task)[side]
        tails = (
            stats.binom.cdf(row["hits"], row["flights"], exact),
            stats.binom.sf(row["hits"] - 1, row["flights"], exact),
        )
        assert min(tails) > 1e-6
        # The bound is where so few hits have the probability that may be wrong.
        assert stats.binom.cdf(row["hits"], row["flights"], row["high"]) == pytest.approx(
            proof.each, rel=1e-6
        )
        assert row["seed"] == proof_seed(5, n, 1)


def test_hold_load_comes_first_and_may_do_alone() -> None:
    changes = {
        "aircraft.holds.1.max_load": 6_000.0,
        "operation.hold_loads": [
            {"hold": "forward hold", "bags": 0, "cargo": 0.0},
            {"hold": "aft hold", "bags": 0, "cargo": 5_350.0},
        ],
    }
    asked = task(eight_rows(0.5, **changes), reading="planned")
    found = ask(asked)
    answer, family = found.answers[0], found.family
    assert exact_risks(family.under_base(20), asked)[1] > 2 * TARGET
    first, kg = family.hold_moves(20)[0]
    assert max(exact_risks(family.scenario_of(first, passengers=20), asked)) < 0.5 * TARGET
    assert (answer.status, answer.restriction) == ("confirmed", first)
    assert answer.seats_blocked == 0
    assert answer.moved_kg == pytest.approx(kg, abs=2.0)
    assert "hold" in answer.words
    # Where hold load may not be moved, seats are blocked or none is found.
    fixed = ask(asked, searched(near=0, holds=False))
    assert not fixed.answers[0].restriction.holds
    assert fixed.answers[0].seats_blocked > 0


def test_where_none_meets_the_nearest_is_shown() -> None:
    asked = task(eight_rows(0.3))
    found = ask(asked, searched(near=1, holds=False))
    answer = found.answers[0]
    every = by_enumeration(asked, found.family, 20)
    assert min(risk for _, risk, _ in every) > 2 * TARGET
    assert answer.status == "none"
    nearest = min(every, key=lambda entry: entry[1])[2]
    assert answer.restriction == nearest
    assert answer.proofs == ()
    assert found.draft == (DraftLine(19, 21, "none"),)
    text = restriction_text(found)
    assert "no restriction of the family meets it" in text
    assert "nearest: block rows 1-2" in text
    assert "NONE OF THE FAMILY IS CONFIRMED" in draft_text(found)


def test_a_lucky_winner_is_refused_and_the_next_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Row 1 blocked leaves a risk of a third; here its first flights are doctored to be quiet."""
    real = restriction_cells.kept_count

    def doctored(asked, policies, **named):
        cells = real(asked, policies, **named)
        return [
            replace(c, beyond=np.zeros((2, 2048), bool), flights=2048, risk=np.zeros(2),
                    low=np.zeros(2), high=np.full(2, 0.002))
            if p.block and p.block[-1].seats == ("1",) else c
            for p, c in zip(policies, cells, strict=True)
        ]  # fmt: skip

    monkeypatch.setattr(restriction_cells, "kept_count", doctored)
    found = ask(task(), searched(near=1, holds=False))
    answer = found.answers[0]
    assert answer.status == "confirmed"
    assert [proof.holds for proof in answer.proofs] == [False, True]
    assert found.family.words(answer.proofs[0].restriction) == "block row 1"
    assert answer.words == "block rows 1-2"
    assert set(answer.proofs[0].table["seed"]).isdisjoint(answer.proofs[1].table["seed"])
    tried = found.tried.set_index(["restriction", "side"])["outcome"]
    assert tried["block row 1", "forward"] == "refused"
    assert "but not confirmed on fresh flights: 1" in restriction_text(found)
    once = ask(task(), searched(near=1, holds=False, attempts=1))
    assert once.answers[0].status == "not confirmed"
    # What spoke against it counts: the lucky one is not the nearest.
    assert once.answers[0].words != "block row 1"


def test_the_same_seed_gives_the_same_bits_with_one_thread_and_two(
    study: RestrictionStudy, tmp_path: Any
) -> None:
    shelf = Shelf(tmp_path / "x.begun", key="k")
    two = ask(task(jobs=2), meter=Meter(shelf=shelf))
    pd.testing.assert_frame_equal(study.tried, two.tried, check_exact=True)
    pd.testing.assert_frame_equal(study.proofs, two.proofs, check_exact=True)
    # Taken up again, nothing is flown and nothing changes.
    meter = Meter(shelf=shelf)
    again = ask(task(), meter=meter)
    assert meter.flown == 0
    pd.testing.assert_frame_equal(study.table, again.table, check_exact=True)
    pd.testing.assert_frame_equal(study.proofs, again.proofs, check_exact=True)


@pytest.mark.parametrize(
    ("good", "least"),
    [
        (range(1, 17), 1),
        ({5, *range(7, 17)}, 5),  # 4 fails, 8 meets; halving finds 7; two below it, 5 meets
        ({16}, 16),
        ({9, 10, 11, 12}, 9),  # neither the least nor the greatest step meets
        (range(0), None),
    ],
)
def test_a_family_need_not_be_monotone(good: Any, least: int | None) -> None:
    grown = [Restriction("rear_rows", tuple(str(r) for r in range(k + 1))) for k in range(17)]
    place = {one: k for k, one in enumerate(grown)}
    screen = Screen(task(), types.SimpleNamespace(), 20, Meter())  # type: ignore[arg-type]
    cells: dict[Restriction, int] = {}

    class Fake(Screen):
        def fly(self, restrictions):
            cells.update({one: place[one] for one in restrictions})

        def meets(self, restriction):
            return cells[restriction] in good

        def blocked(self, restriction):
            return 6 * (place[restriction] + 1)

    fake = Fake(screen.task, screen.family, 20, Meter())
    fake.fly([grown[k] for k in fake._probes(grown)])
    found = fake._first(grown, 200)
    assert (None if found is None else place[found]) == least
    if least is not None and least > 0:
        # Fewer seats than any step that meets: nothing is left of the family.
        assert fake._first(grown, 6 * least) is None or min(good) < least


def test_contradictions_are_refused_with_the_numbers() -> None:
    blocked = searched({"block": [{"seats": ["1-2"]}]}, base="p0")
    with pytest.raises(UsageError, match=r"at most the 36 seats left open .12 of 48.*got 40"):
        ask(task(), blocked, counts=(20, 40))
    with pytest.raises(UsageError, match="from 1 to the 48 seats"):
        ask(task(), counts=(49,))
    family = Family.of(eight_rows(0.5), searched())
    limit = Restriction("zone_quotas", zone="all", most=12)
    with pytest.raises(UsageError, match=r"12 people in zone 'all'.*the 12 seats.*20 passengers"):
        family.policy(limit, passengers=20)
    with pytest.raises(UsageError, match=r"flights: expected enough.*under 0\.02.*usually serve"):
        ask(task(flights=100))
    with pytest.raises(UsageError, match="limit or planned"):
        task(reading="both")


def test_no_restriction_leaves_somebody_without_a_seat() -> None:
    family = Family.of(eight_rows(0.5), searched(most_blocked=40))
    for n in (20, 37, 42, 43, 48):
        for grown in family.members(n).values():
            assert all(family.left(one, passengers=n) >= n for one in grown)
    assert family.members(43) == {name: [] for name in searched().search.families}  # type: ignore[union-attr]
    assert [len(grown) for grown in family.members(37).values()] == [1, 1, 1, 1]


def test_the_families_by_hand() -> None:
    file = searched(families=[*searched().search.families, "zone_quotas"])  # type: ignore[union-attr]
    family = Family.of(shipped_scenario(), file)
    members = family.members(120)
    words = {name: [family.words(one) for one in grown] for name, grown in members.items()}
    assert words["rear_rows"][2] == "block rows 27-29"
    assert words["front_rows"][2] == "block rows 1-3"
    assert words["end_rows"][2] == "block rows 1, 28-29"
    assert words["alternate_rows"][2] == "block rows 25, 27, 29"
    # 120 of 174: nine rows are left over. Zone A has 54 seats and 36 people of 120.
    assert len(members["rear_rows"]) == 9
    assert words["zone_quotas A"][0] == "at most 30 people in zone A"
    one = members["zone_quotas A"][0]
    assert family.blocked(one, passengers=120) == 24
    there = family.scenario_of(one, passengers=120)
    people = [zone.adults + zone.children for zone in there.operation.zones]
    assert (sum(people), people[0]) == (120, 30)
    # Which row is blocked, not by which family, is what counts.
    assert members["rear_rows"][0] == members["alternate_rows"][0]


def test_hold_moves_stay_within_the_holds() -> None:
    family = Family.of(shipped_scenario(), searched())
    moves = family.hold_moves(148)
    masses = [kg for _, kg in moves]
    assert masses == sorted(masses)
    assert len(moves) == 9
    for move, kg in moves:
        assert sum(share for _, share in move.holds) == pytest.approx(1.0, abs=1e-12)
        assert family.moved_kg(move, passengers=148) == pytest.approx(kg, abs=13.0)
        loads = family.scenario_of(move, passengers=148).operation.hold_loads
        assert sum(load.bags for load in loads) == 120
    # 1560 kg of bags and 550 kg of cargo in proportion to 3400 and 4600 kg.
    assert (("forward hold", 0.425), ("aft hold", 0.575)) in [move.holds for move, _ in moves]


def hand_cell(hits: int, flights: int) -> Cell:
    beyond = np.zeros((2, flights), dtype=bool)
    beyond[1, :hits] = True
    return types.SimpleNamespace(  # type: ignore[return-value]
        risk=beyond.mean(axis=1), flights=flights, passengers=20
    )


def test_flights_to_confirm_are_enough_and_not_many_more() -> None:
    asked, each = task(), 1e-3
    found = flights_to_confirm(hand_cell(5, 1000), task=asked, each=each)
    p = 1.2 * 5.5 / 1000

    def sure(n: int) -> bool:
        hits = math.ceil(p * n + 2.0 * math.sqrt(p * n))
        return bool(stats.binom.cdf(hits, n, TARGET) < each)

    assert found % 512 == 0
    assert sure(found)
    assert not sure(found // 2)
    # A risk at the target can hardly be confirmed: the most allowed.
    assert flights_to_confirm(hand_cell(20, 1000), task=asked, each=each) == 8 * 2048


def hand_answer(n: int, words: str, blocked: int, at: tuple[int, ...]) -> Answer:
    proof = None
    if at:
        table = pd.DataFrame({"passengers": at, "fits": True, "high": 1e-3})
        proof = Proof(Restriction(), n, 1, 1e-3, table, TARGET, "by hand", 0)
    return Answer(
        passengers=n,
        status="confirmed" if at else "none",
        restriction=Restriction(),
        words=words,
        cell=None,  # type: ignore[arg-type]
        seats_blocked=blocked,
        seats_left=48 - blocked,
        moved_kg=0.0,
        proofs=() if proof is None else (proof,),
    )


def test_a_draft_by_hand() -> None:
    answers = [
        hand_answer(10, "block row 1", 6, (8, 9, 10, 11, 12)),
        hand_answer(14, "block row 1", 6, (12, 13, 14, 15, 16)),
        hand_answer(18, "no restriction", 0, (16, 17, 18, 19, 20)),
        hand_answer(30, "block row 8", 6, ()),
        hand_answer(46, "no restriction", 0, (44, 45, 46)),  # no room above
    ]
    assert draft_lines(answers, seats=48, near=2) == (
        DraftLine(8, 16, "confirmed", "block row 1", 6, 42),  # 16 is as close to 18: more blocked
        DraftLine(17, 20, "confirmed", "no restriction", 0, 48),
        DraftLine(21, 27, "not flown"),
        DraftLine(28, 32, "none"),
        DraftLine(33, 43, "not flown"),
        DraftLine(44, 46, "confirmed", "no restriction", 0, 48),
        DraftLine(47, 48, "none"),
    )


def test_numbers_around_that_do_not_fit_are_left_out() -> None:
    asked = task()
    family = Family.of(asked.scenario, searched(near=2))
    most = Restriction("front_rows", tuple(str(r) for r in range(1, 5)))  # 24 seats left
    cell = hand_cell(0, 1024)
    object.__setattr__(cell, "passengers", 23)
    proof = confirm(family, most, task=asked, cell=cell, attempt=1, meter=Meter())
    fits = proof.table.set_index("passengers")["fits"]
    assert list(fits.index) == [21, 21]  # the aft risk of a third ends it
    assert not proof.holds
    easy = task(eight_rows(6.0))
    family = Family.of(easy.scenario, searched(near=2))
    proof = confirm(family, most, task=easy, cell=cell, attempt=1, meter=Meter())
    assert proof.confirmed_at == (21, 22, 23, 24)
    fits = proof.table.set_index("passengers")["fits"]
    assert fits[[21, 22, 23, 24]].all()
    assert not fits[25].any()


def test_the_text_says_what_must_be_said(study: RestrictionStudy) -> None:
    for text in (restriction_text(study), draft_text(study)):
        flat = " ".join(text.split())
        for words in ("DRAFT - NOT APPROVED", "study aid", "No authority publishes", "agreement"):
            assert words in flat
    assert draft_text(study).splitlines()[0] == draft_text(study).splitlines()[-1]
    assert "19 to 21 passengers: block rows 1-2 (12 seats blocked, 36 left)." in draft_text(study)
    assert "Up to 18 passengers: not looked at" in draft_text(study)
    answer = restriction_answer(study)
    assert answer["approved"] is False
    assert answer["draft"][0]["restriction"] == "block rows 1-2"


def test_what_is_less_and_stays_undecided_is_marked(study: RestrictionStudy) -> None:
    assert "a lesser restriction stays undecided" not in restriction_text(study)
    tried = study.tried.copy()
    bare = tried["restriction"] == "no restriction"
    tried.loc[bare, "standing"] = "undecided"
    text = restriction_text(replace(study, tried=tried))
    assert "* a lesser restriction stays undecided" in text
    assert any(line.endswith(" *") for line in text.splitlines())


def test_tables_draft_and_chart_are_written(study: RestrictionStudy, tmp_path: Any) -> None:
    publish_restriction(tmp_path, study=study, manifest={"seed": 5})
    names = {path.name for path in tmp_path.iterdir()}
    assert names == {
        "restriction.json",
        "draft.txt",
        *(f"{stem}.csv" for stem in ("restriction", "tried", "confirmation")),
        "restriction.svg",
        "restriction.png",
    }
    tried = pd.read_csv(tmp_path / "tried.csv")
    assert len(tried) == 2 * len(screen_cells(study))


def test_a_second_look_settles_what_the_first_leaves_open(study: RestrictionStudy) -> None:
    """Rows 1-2 blocked have 0.7 %: a target just above needs the second look."""
    answer, family = study.answers[0], Family.of(study.task.scenario, searched(near=0))
    cell = hand_cell(0, 2048)  # seen as if it were none: 512 flights at first
    asked = replace(study.task, target=0.012)
    proof = confirm(family, answer.restriction, task=asked, cell=cell, attempt=1, meter=Meter())
    exact = exact_risks(family.scenario_of(answer.restriction, passengers=20), asked)
    assert 0.5 * 0.012 < exact[0] < 0.012
    first = flights_to_confirm(cell, task=asked, each=proof.each)
    assert proof.table["flights"].max() == 4 * first
    assert set(proof.table["flights"]) <= {first, 4 * first}


def test_flights_that_serve() -> None:
    assert [flights_for(p) for p in (0.1, 1e-3, 1e-5, math.nan)] == [10_000, 30_000, 10_000, 10_000]


@pytest.mark.nightly
def test_a_rare_target_is_split_and_confirmed_by_splitting(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if counting did not reach: the answer by splitting is within what counting finds."""
    small = edited(copy.deepcopy({**SMALL}))
    asked = task(small, target=3e-3, flights=4096, jobs=2)
    file = searched(near=0, families=["rear_rows"], holds=False, attempts=1)
    counted = ask(asked, file, counts=(3,)).answers[0]
    for module in ("policy_cells", "restriction_cells", "restriction_proof", "restriction_search"):
        monkeypatch.setattr(f"cgrisk.decide.{module}.RARE", 0.1)
    monkeypatch.setattr("cgrisk.decide.policy_cells._KEPT", 256)
    split = ask(asked, file, counts=(3,)).answers[0]
    assert counted.status == split.status == "confirmed"
    assert split.cell.more_flights > 0
    (proof,) = split.proofs
    assert "splitting" in proof.method
    assert (proof.table["hits"] == -1).all()
    for one, two in zip(counted.proofs[0].table["risk"], proof.table["risk"], strict=True):
        assert two == pytest.approx(one, abs=5 * math.sqrt(max(one, 1e-3) / 512) + 0.5 * one)
