"""Where the curtains should stand: one study from the scenario to the sampled trade-off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from cgrisk.aircraft import cabin_plan
from cgrisk.decide.zone_division import (
    CabinRows,
    Division,
    Rules,
    best_divisions,
    cost_table,
    division_cost,
)
from cgrisk.decide.zone_scenario import (
    cabin_rows,
    existing_boundaries,
    zone_rows,
    zoned_scenario,
)
from cgrisk.decide.zone_seating import ZoneArms, zone_arm_study
from cgrisk.decide.zone_trade import Flown, Step, TradeRow, check_level, fly_zones, trade
from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, prepare
from cgrisk.rare.seeds import derived_seed
from cgrisk.scenario import Scenario, parse_rows

__all__ = ["EXISTING", "LOADS", "ZoneQuestion", "ZoneStudy", "label_of", "study_zones"]

#: Label of the scenario's own zones.
EXISTING = "as now"
#: Loads of the variance: the scenario's passengers over its seats, or half of the seats.
LOADS = ("planned", "worst")
#: Step of the CG where the load sheet does not round it, % MAC.
_VISIBLE_PCT = 0.1
#: Zones that an operation file may have.
_MOST_ZONES = 12


@dataclass(frozen=True, slots=True)
class ZoneQuestion:
    """What is asked.

    Attributes
    ----------
    scenario : Scenario
    most_zones : int
        Divisions into 1 to so many.
    objective : str
        ``variance`` or ``conventional``.
    load : str
        For ``variance``: ``planned``, the scenario's load factor in every zone, or ``worst``, in
        each zone the count that makes it greatest.
    rules : Rules
    flights : int
        Flown with each division.
    level : float
        Chance per flight and side at which divisions are compared; no target.
    seed : int
    """

    scenario: Scenario
    most_zones: int
    objective: str
    load: str
    rules: Rules
    flights: int
    level: float
    seed: int


@dataclass(frozen=True, slots=True, eq=False)
class ZoneStudy:
    """The answer.

    Attributes
    ----------
    question : ZoneQuestion
    rows : CabinRows
    load_factor : float
        Passengers planned over open seats.
    divisions : dict of int to Division
        The best by number of zones.
    existing : Division or None
        The scenario's own, where its zones are blocks of rows.
    trade : tuple of TradeRow
        The best divisions by zones, then the scenario's own.
    steps : tuple of Step
        Each against the one with fewer zones, the one with most, and the scenario's own.
    arms : tuple of ZoneArms
        By division, in the order of ``trade``; the last for the scenario as it is written.
    """

    question: ZoneQuestion
    rows: CabinRows
    load_factor: float
    divisions: dict[int, Division]
    existing: Division | None
    trade: tuple[TradeRow, ...]
    steps: tuple[Step, ...]
    arms: tuple[ZoneArms, ...]

    def against(self, here: str, there: str) -> Step | None:
        """Return the comparison of two divisions by their labels; None if there is none."""
        found = [step for step in self.steps if (step.here, step.against) == (here, there)]
        return found[0] if found else None

    def row(self, label: str) -> TradeRow:
        """Return the row of a division by its label."""
        return next(row for row in self.trade if row.label == label)

    @property
    def chosen(self) -> int:
        """The fewest zones that leave as much room as the most do.

        Fewer than now must be shown to do as well: the usable envelope narrower by no more than
        the step of the load sheet's CG, two standard errors included. From as many as now on it is
        enough that they are not seen to do worse: too few flights recommend no change.
        """
        most, now = max(self.divisions), self.row(EXISTING).zones
        step = self.question.scenario.operation.load_sheet.cg_step or _VISIBLE_PCT
        for zones in sorted(self.divisions):
            against = self.against(label_of(zones), label_of(most))
            if against is None:
                return zones
            narrower, error = -against.usable_pct, 2.0 * against.usable_se_pct
            if narrower + error <= step or (zones >= now and narrower <= max(step, error)):
                return zones
        return most


def label_of(zones: int) -> str:
    """Return the label of the best division into so many zones."""
    return f"{zones} zone" + ("s" if zones != 1 else "")


def _models(
    question: ZoneQuestion,
    rows: CabinRows,
    divisions: dict[int, Division],
    existing: Division | None,
) -> list[tuple[str, Division | None, FlightModel]]:
    """Return the scenarios to fly, each with its label and division."""
    scenario = question.scenario
    found: list[tuple[str, Division | None, FlightModel]] = []
    for zones, division in divisions.items():
        there = zoned_scenario(scenario, zone_rows(rows, division), exact_sheet=True)
        found.append((label_of(zones), division, prepare(there)))
    here = scenario.operation.zones
    there = zoned_scenario(
        scenario,
        [[row for row in parse_rows(zone.rows) if row in rows.number] for zone in here],
        arms_m=[zone.arm for zone in here],
        exact_sheet=True,
    )
    found.append((EXISTING, existing, prepare(there)))
    return found


def study_zones(
    question: ZoneQuestion,
    *,
    jobs: int = -1,
    watch: Callable[[int, int], None] | None = None,
) -> ZoneStudy:
    """Find the best divisions, fly them, and judge the arms of their zones.

    The search is exact and uses no random number; flights are of a seed derived for them, those
    that tell the arms of another.

    Parameters
    ----------
    question : ZoneQuestion
    jobs : int
        Threads; changes no result.
    watch : callable, optional
        Told how many flights of how many are done.

    Raises
    ------
    UsageError
        If the rules leave no division, or an argument is out of range.
    """
    if question.load not in LOADS:
        raise UsageError(
            argument="load",
            expected=" or ".join(LOADS),
            got=question.load,
            cure="Name one of them.",
        )
    check_level(question.level)
    if question.most_zones > _MOST_ZONES:
        raise UsageError(
            argument="max zones",
            expected=f"at most {_MOST_ZONES}",
            got=question.most_zones,
            cure="A scenario has no more zones.",
        )
    scenario = question.scenario
    rows = cabin_rows(cabin_plan(scenario))
    people = sum(zone.adults + zone.children for zone in scenario.operation.zones)
    open_seats = int(rows.seats.sum())
    load_factor = people / open_seats if open_seats else 0.0
    table = cost_table(
        rows,
        objective=question.objective,
        load_factor=load_factor if question.load == "planned" else None,
    )
    divisions = best_divisions(rows, table, most_zones=question.most_zones, rules=question.rules)
    cuts = existing_boundaries(scenario)
    existing = None if cuts is None else division_cost(rows, table, boundaries=cuts)
    models = _models(question, rows, divisions, existing)
    total = question.flights * len(models)
    flown: list[Flown] = []
    for number, (label, division, model) in enumerate(models):

        def seen(done: int, _of: int, before: int = number * question.flights) -> None:
            if watch is not None:
                watch(before + done, total)

        same = [
            one.figures for one in flown if one.model.scenario.digest() == model.scenario.digest()
        ]
        figures = (
            same[0]
            if same
            else fly_zones(
                model,
                seed=derived_seed(question.seed, "zones", "confirmation"),
                flights=question.flights,
                jobs=jobs,
                watch=seen,
            )
        )
        flown.append(Flown(label, division, model, figures))
    table_rows, steps = trade(flown, level=question.level, seed=question.seed, existing=EXISTING)
    written = [*(model for _, _, model in models[:-1]), prepare(scenario)]
    arms = tuple(
        zone_arm_study(
            model,
            seed=derived_seed(question.seed, "zones", "arms"),
            flights=question.flights,
            visible_pct=scenario.operation.load_sheet.cg_step or _VISIBLE_PCT,
        )
        for model in written
    )
    return ZoneStudy(
        question=question,
        rows=rows,
        load_factor=load_factor,
        divisions=divisions,
        existing=existing,
        trade=table_rows,
        steps=steps,
        arms=arms,
    )
