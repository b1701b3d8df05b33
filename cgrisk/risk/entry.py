"""What errors on the load sheet do, given that they happen; apart from the ordinary spread."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from cgrisk.errors import UsageError
from cgrisk.flight import SIDES, entry_error_text, fly_block, with_entry_error
from cgrisk.risk.intervals import binomial_interval
from cgrisk.sampling import Sample
from cgrisk.sampling.layout import AS_PLANNED, layout_of, outcome_name
from cgrisk.sampling.tally import outcomes_of

__all__ = ["entry_consequences"]

_EVENTS = ("uncommanded_rotation", "no_rotation", "nose_lifts_at_release", "needed_outside_band")


def entry_consequences(sample: Sample, *, flights: int = 4096) -> pd.DataFrame:
    """Return what each entry error of the operation does, flown with the sample's own flights.

    Parameters
    ----------
    sample : Sample
        Its first flights are flown again with each error.
    flights : int
        How many (fewer if the sample has fewer).

    Returns
    -------
    pandas.DataFrame
        error, meaning, event (leaves the envelope as planned, by side; take-off events), hits,
        flights, estimate, low, high, confidence (of the chance given the error), and the mean
        shifts that the error itself makes: cg_shift_pct_mac and mass_shift_kg at take-off,
        setting_shift_units (of the setting needed; more nose-up positive; nan without a take-off
        plan). The shifts hold what the error does to who sits where: a zone that is really full
        leaves nobody a choice. An error that this load does not allow has no flights. Empty unless
        the operation asks for entry errors.
    """
    model = sample.model
    rows: list[tuple[object, ...]] = []
    names = ["error", "meaning", "event", "hits", "flights", "estimate", "low", "high"]
    shifts = ["cg_shift_pct_mac", "mass_shift_kg", "setting_shift_units"]
    if not model.scenario.operation.with_entry_errors:
        return pd.DataFrame(columns=[*names, "confidence", *shifts])
    count = min(flights, sample.flights)
    numbers = np.arange(count, dtype=np.uint32)
    before = fly_block(model, seed=sample.seed, flights=numbers)
    layout = layout_of(model)
    events = [outcome_name(side, "any", AS_PLANNED) for side in SIDES]
    events += [f"take_off.{name}" for name in _EVENTS if f"take_off.{name}" in layout.outcomes]
    for error in model.scenario.operation.entry_errors:
        try:
            wrong = with_entry_error(model, error)
        except UsageError as reason:
            text = f"{entry_error_text(error)}: cannot happen with this load ({reason.expected})"
            gaps = (math.nan,) * 4
            rows.append((error.name, text, "none", 0, 0, *gaps, *gaps[:3]))
            continue
        after = fly_block(wrong, seed=sample.seed, flights=numbers)
        outcomes = outcomes_of(after, layout=layout)
        moved = []
        for column in ("take_off_cg_pct_mac", "take_off_mass_kg", "take_off_setting_needed_units"):
            place = model.columns.index(column) if column in model.columns else None
            gap = np.nan if place is None else float((after[:, place] - before[:, place]).mean())
            moved.append(gap)
        for event in events:
            hits = int(outcomes[layout.outcomes.index(event)].sum())
            p = binomial_interval(hits, flights=count)
            figures = hits, count, p.estimate, p.low, p.high, p.confidence
            rows.append((error.name, entry_error_text(error), event, *figures, *moved))
    return pd.DataFrame(rows, columns=[*names, "confidence", *shifts])
