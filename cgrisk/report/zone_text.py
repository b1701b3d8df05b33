"""Where the curtains should stand, in words and as plain data. Loads no drawing library."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from cgrisk.decide import EXISTING, TradeRow, ZoneArms, ZoneStudy, label_of
from cgrisk.report.file_units import FileUnits
from cgrisk.risk import Interval
from cgrisk.risk.summary import CAUTIONS, plain

__all__ = [
    "arms_frame",
    "curtains",
    "decisions",
    "steps_frame",
    "trade_frame",
    "zone_answer",
    "zone_text",
]

_AGREEMENT = (
    "A buffer below the conventional one, and other zones on the load sheet, need the authority's "
    "agreement."
)


def curtains(boundaries: Sequence[int] | None) -> str:
    """Return in words where the curtains of a division stand."""
    if boundaries is None:
        return "zones that are no blocks of rows"
    if not boundaries:
        return "none"
    return "after row" + ("s " if len(boundaries) > 1 else " ") + ", ".join(map(str, boundaries))


def _interval(found: Interval) -> dict[str, Any]:
    return {"estimate": found.estimate, "low": found.low, "high": found.high}


def trade_frame(study: ZoneStudy) -> pd.DataFrame:
    """Return the divisions as a table, a row each: what each needs, and what it leaves."""
    return pd.DataFrame([_flat(row) for row in study.trade])


def _flat(row: TradeRow) -> dict[str, Any]:
    data: dict[str, Any] = {
        "division": row.label,
        "zones": row.zones,
        "boundaries": "" if row.boundaries is None else " ".join(map(str, row.boundaries)),
        "rows": " | ".join(row.rows),
        "passengers": " ".join(map(str, row.counts)),
        "objective": row.cost,
        "seating_sd_random_kgm": row.closed_sd_kgm,
        "seating_sd_sampled_kgm": row.sampled_sd_kgm,
        "seating_sd_sampled_se_kgm": row.sampled_sd_se_kgm,
        "seating_bias_kgm": row.bias_kgm,
        "conventional_kgm": row.conventional_kgm,
        "conventional_pct_mac": row.conventional_pct,
        "zero_fuel_sd_pct_mac": row.zero_fuel_sd_pct,
        "zero_fuel_sd_se_pct_mac": row.zero_fuel_sd_se_pct,
        "certified_width_pct_mac": row.width_pct,
        "usable_width_pct_mac": row.usable_pct,
    }
    for k, side in enumerate(("forward", "aft")):
        for name, found in (("zero_fuel", row.zero_fuel[k]), ("excess", row.excess[k])):
            for key, value in _interval(found).items():
                data[f"{name}_{side}_{key}_pct_mac"] = value
    return data


def steps_frame(study: ZoneStudy) -> pd.DataFrame:
    """Return what each division brings against others, flight by flight on the same numbers."""
    names = [
        "here",
        "against",
        "conventional_kgm",
        "conventional_pct",
        "sd_kgm",
        "sd_se_kgm",
        "usable_pct",
        "usable_se_pct",
    ]
    rows = [[getattr(step, name) for name in names] for step in study.steps]
    return pd.DataFrame(rows, columns=names)


def arms_frame(study: ZoneStudy) -> pd.DataFrame:
    """Return both arms of every zone of every division."""
    rows = []
    for trade, arms in zip(study.trade, study.arms, strict=True):
        for k, zone in enumerate(arms.zone):
            rows.append(
                {
                    "division": trade.label,
                    "zone": zone,
                    "rows": trade.rows[k],
                    "passengers": arms.passengers[k],
                    "seat_centroid_m": arms.centroid_m[k],
                    "on_load_sheet_m": arms.sheet_m[k],
                    "occupied_m": arms.occupied_m[k],
                    "occupied_se_m": arms.occupied_se_m[k],
                    "everyone_alone_m": None if arms.alone_m is None else arms.alone_m[k],
                    "bias_kgm": arms.bias_kgm[k],
                    "bias_se_kgm": arms.bias_se_kgm[k],
                    "use": "occupied" if arms.use_occupied else "centroid",
                }
            )
    return pd.DataFrame(rows)


def _rules_text(study: ZoneStudy) -> str:
    rules = study.question.rules
    parts = []
    for fewest, what in ((rules.smallest_rows, "rows"), (rules.smallest_seats, "seats")):
        if fewest > 1:
            parts.append(f"zones of at least {fewest} {what}")
    if rules.keep:
        parts.append("boundaries that stay: after " + ", ".join(map(str, rules.keep)))
    if rules.forbid:
        parts.append("none may stand after " + ", ".join(map(str, rules.forbid)))
    text = "; ".join(parts) or "no boundary is kept or forbidden"
    loose = [row for row in study.rows.class_boundaries() if row not in rules.keep]
    if loose:
        text += ", so a zone may hold more than one class of travel (--keep-classes)"
    return text


def _objective_text(study: ZoneStudy) -> str:
    question = study.question
    if question.objective == "conventional":
        return (
            "the conventional sum over zones (windows, then aisles, then the rest, row by row "
            "from the worse end)"
        )
    load = (
        f"every zone {100 * study.load_factor:.0f} % taken, as planned"
        if question.load == "planned"
        else "half of every zone taken, its worst count"
    )
    return f"the variance of the seating moment for given zone counts ({load})"


def _signed(value: float, digits: int = 0) -> str:
    """Return a number with its sign, and none where it is zero as written."""
    value = round(value, digits)
    return f"{value:+,.{digits}f}" if value else f"{0.0:.{digits}f}"


def _units(study: ZoneStudy) -> FileUnits:
    return FileUnits.of(study.question.scenario)


def _moment(value_kgm: float, units: FileUnits) -> str:
    return _signed(units.scale("moment") * value_kgm)


def _quantile(found: Interval) -> str:
    high = f"{found.high:.2f}" if found.high < float("inf") else "?"
    low = f"{found.low:.2f}" if found.low > -float("inf") else "?"
    return f"{found.estimate:.2f} ({low} to {high})"


def _trade_lines(study: ZoneStudy) -> list[str]:
    level, units = f"{study.question.level:g}", _units(study)
    unit = units.name("moment")
    lines = [
        f"{'':<9}{'curtains after rows':<25}{f'seating SD, {unit}':<21}{'conventional':<18}"
        f"{'excess at ' + level + ' a side, % MAC':<46}{'usable':>7}",
        f"{'':<9}{'':<25}{'random':>7}  {'sampled':<12}{unit:>7}{'% MAC':>7}    "
        f"{'forward':<23}{'aft':<23}{'% MAC':>7}",
    ]
    for row in study.trade:
        cuts = "?" if row.boundaries is None else ", ".join(map(str, row.boundaries)) or "none"
        sampled = f"{units.moment(row.sampled_sd_kgm)} +- {units.moment(row.sampled_sd_se_kgm)}"
        lines.append(
            f"{row.label:<9}{cuts:<25}{units.moment(row.closed_sd_kgm):>7}  {sampled:<12}"
            f"{units.moment(row.conventional_kgm):>7}{row.conventional_pct:>7.2f}    "
            f"{_quantile(row.excess[0]):<23}{_quantile(row.excess[1]):<23}{row.usable_pct:>7.2f}"
        )
    return lines


def _arm_lines(label: str, arms: ZoneArms, units: FileUnits) -> list[str]:
    arm, unit = units.scale("length"), units.name("length")
    bias_of = f"bias, {units.name('moment')}"
    lines = [
        f"Arms, {label}: {'zone':<6}{'passengers':>11}{'seat centroid':>15}"
        f"{'occupied seats':>22}{bias_of:>18}"
    ]
    pad = " " * len(f"Arms, {label}: ")
    for k, zone in enumerate(arms.zone):
        occupied = f"{arm * arms.occupied_m[k]:.3f} +- {arm * arms.occupied_se_m[k]:.3f} {unit}"
        bias = f"{_moment(arms.bias_kgm[k], units)} +- {units.moment(arms.bias_se_kgm[k])}"
        lines.append(
            f"{pad}{zone:<6}{arms.passengers[k]:>11}"
            f"{f'{arm * arms.centroid_m[k]:.3f} {unit}':>15}{occupied:>22}{bias:>18}"
        )
    return lines


def _arm_decision(arms: ZoneArms, units: FileUnits) -> str:
    rule, unit = arms.rule.replace("_", " "), units.name("moment")
    error = units.moment(arms.total_bias_se_kgm)
    total = (
        f"{_moment(arms.total_bias_kgm, units)} +- {error} {unit} over the cabin "
        f"({_signed(arms.total_bias_kgm / arms.scale_kgm, 2)} % MAC)"
    )
    if not arms.use_occupied:
        return (
            f"the seat centroid is good enough under the rule {rule}: no zone's bias can be told "
            f"from none and seen on the load sheet ({units.moment(arms.visible_kgm)} {unit}); "
            f"{total} at this load."
        )
    largest = max(arms.bias_kgm, key=abs)
    zone = arms.bias_kgm.index(largest)
    if arms.whole_cabin:
        moved = units.scale("length") * (arms.occupied_m[zone] - arms.centroid_m[zone])
        step = f"{moved:+.2f} {units.name('length')}"
        gain = f"all move by {step}, since people sit in any zone; it takes away {total}"
    elif len(arms.zone) == 1:
        gain = f"it takes away a bias of {total}"
    else:
        gain = (
            f"it takes away a bias of {_moment(largest, units)} {unit} in zone {arms.zone[zone]}, "
            f"which an uneven load does not let cancel, and {total}"
        )
    return (
        f"use the mean of the occupied seats; {gain} at this load. It holds for the rule {rule} "
        "and about this load only: on a full aircraft the centroid of the open seats is right."
    )


def _move_text(study: ZoneStudy) -> str:
    """Return what moving the curtains alone would bring."""
    now = study.row(EXISTING)
    best = study.divisions.get(now.zones)
    if best is None:
        return f"The {now.zones} zones of now are not among the divisions that were allowed."
    if study.existing is not None and best.boundaries == study.existing.boundaries:
        return (
            f"The curtains of now ({curtains(now.boundaries)}) are the best for {now.zones} "
            f"zone{'s' if now.zones != 1 else ''}: nothing is gained by moving them."
        )
    step, units = study.against(label_of(now.zones), EXISTING), _units(study)
    assert step is not None
    error = units.moment(step.sd_se_kgm)
    return (
        f"With as many zones as now ({now.zones}), curtains {curtains(best.boundaries)} instead of "
        f"{curtains(now.boundaries)} free {_moment(step.conventional_kgm, units)} "
        f"{units.name('moment')} "
        f"({_signed(step.conventional_pct, 2)} % MAC) of the conventional sum a side and change "
        f"the sampled seating deviation by {_moment(-step.sd_kgm, units)} +- {error} "
        f"{units.name('moment')}."
    )


def _choice_text(study: ZoneStudy) -> str:
    zones, most = study.chosen, max(study.divisions)
    now = study.row(EXISTING)
    against = study.against(label_of(zones), label_of(most))
    enough = ""
    if against is not None:
        enough = (
            f"the fewest that {'do' if zones != 1 else 'does'} as well as {most} zones, as far as "
            "these flights tell "
            f"({_signed(against.usable_pct, 2)} +- {against.usable_se_pct:.2f} % MAC)"
        )
    step = study.against(label_of(zones), EXISTING)
    assert step is not None
    units = _units(study)
    conventional = (
        f"{_moment(-step.conventional_kgm, units)} {units.name('moment')} "
        f"({_signed(-step.conventional_pct, 2)} % MAC) a side"
    )
    if zones < now.zones:
        return (
            f"Decision: no more zones than now are needed. {label_of(zones).capitalize()} would "
            f"do, {enough or 'the only number the rules allow'}; but the conventional sum would "
            f"change by {conventional}, so fewer zones need a buffer agreed on other grounds."
        )
    cuts = curtains(study.divisions[zones].boundaries)
    text = f"Decision: {label_of(zones)}, curtains: {cuts}."
    if enough:
        text += f" It is {enough}."
    if study.divisions[zones].boundaries != now.boundaries:
        text += (
            f" Against now the conventional sum changes by {conventional}, the usable envelope by "
            f"{_signed(step.usable_pct, 2)} +- {step.usable_se_pct:.2f} % MAC."
        )
    return text


def _floor_text(study: ZoneStudy) -> str | None:
    """Return why flights do not follow the closed form, where they do not."""
    last = study.row(label_of(max(study.divisions)))
    least = last.sampled_sd_kgm - 4.0 * last.sampled_sd_se_kgm
    if least <= 1.1 * last.closed_sd_kgm or least < 0.01 * last.scale_kgm:
        return None
    seating = study.question.scenario.operation.seating
    if seating.scope == "cabin":
        why = "people sit anywhere in the cabin, whatever zone counts them (scope cabin)"
    elif seating.movers_share > 0.0:
        cabin = study.question.scenario.aircraft.cabin
        classes = {part.cabin_class for part in cabin.rows}
        classes |= {seat.cabin_class for seat in cabin.seat_table}
        where = "in the cabin" if len(classes) == 1 else "in their class"
        why = (
            f"{100 * seating.movers_share:g} % change to a seat anywhere {where}, which no "
            "curtain stops and neither the closed form nor the conventional sum counts"
        )
    else:
        why = "parties sit together, or the rule fills one end first"
    units = _units(study)
    return (
        "Sampled seating error stays above seats taken at random "
        f"({units.moment(last.sampled_sd_kgm)} against {units.moment(last.closed_sd_kgm)} "
        f"{units.name('moment')} with {last.label}): {why}."
    )


def decisions(study: ZoneStudy) -> list[str]:
    """Return the sentences to act on."""
    units = _units(study)
    chosen = study.trade.index(study.row(label_of(study.chosen)))
    lines = [_move_text(study), _choice_text(study)]
    if not any(division.cost for division in study.divisions.values()):
        lines.append(
            "At this load no seat is in question (nobody aboard, or no seat free), so every "
            "division is as good; shown are those nearest to even zones. Ask with --load worst or "
            "--objective conventional."
        )
    floor = _floor_text(study)
    if floor is not None:
        lines.append(floor)
    lines.append(f"Arms of {label_of(study.chosen)}: {_arm_decision(study.arms[chosen], units)}")
    lines.append(f"Arms of the zones of now: {_arm_decision(study.arms[-1], units)}")
    lines.append(_AGREEMENT)
    return lines


def zone_text(study: ZoneStudy) -> str:
    """Return the study as text for a terminal: divisions, arms, decision."""
    question = study.question
    missing = sorted(set(range(1, question.most_zones + 1)) - set(study.divisions))
    lines = [
        f"Where the curtains should stand: {question.scenario.name}",
        f"Least is {_objective_text(study)}; exact over "
        f"{len(study.rows)} row{'s' if len(study.rows) > 1 else ''}; "
        f"{_rules_text(study)}.",
        *(
            [f"No division obeys the rules with this many zones: {', '.join(map(str, missing))}."]
            if missing
            else []
        ),
        f"Each is flown on the same {question.flights:,} flights of a seed no search has used, "
        "passengers spread in proportion to seats, load sheet unrounded.",
        "",
        *_trade_lines(study),
        "",
        "random: seats at random, everyone alone (closed form); conventional: seating alone; "
        "excess: all causes, whole flight,",
        f"95 % interval; usable: room for the planned zero-fuel CG less both excesses. "
        f"{question.level:g} is where divisions are compared, no target.",
        "",
    ]
    chosen = study.trade.index(study.row(label_of(study.chosen)))
    units = _units(study)
    lines += _arm_lines(label_of(study.chosen), study.arms[chosen], units)
    lines += ["", *_arm_lines(EXISTING, study.arms[-1], units), "", *decisions(study), ""]
    lines.append(CAUTIONS)
    return "\n".join(lines)


def zone_answer(study: ZoneStudy) -> dict[str, Any]:
    """Return the study as plain data for JSON."""
    question = study.question
    data: dict[str, Any] = {
        "scenario": question.scenario.name,
        "objective": question.objective,
        "load": question.load,
        "load_factor": study.load_factor,
        "ties": "nearest to even zones by seats, then the most forward boundaries",
        "rules": {
            "keep": question.rules.keep,
            "forbid": question.rules.forbid,
            "smallest_rows": question.rules.smallest_rows,
            "smallest_seats": question.rules.smallest_seats,
        },
        "flights": question.flights,
        "level": question.level,
        "seed": question.seed,
        "chosen_zones": study.chosen,
        "divisions": trade_frame(study).to_dict("records"),
        "steps": steps_frame(study).to_dict("records"),
        "arms": arms_frame(study).to_dict("records"),
        "decision": decisions(study),
        "cautions": CAUTIONS,
    }
    return {key: plain(value) for key, value in data.items()}
