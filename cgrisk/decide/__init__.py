"""What to do: buffers, operational envelopes, cabin zones, seating policies."""

from cgrisk.decide.load_state import (
    LoadState,
    hold_mass_kg,
    scenario_with,
    state_of,
    zone_seat_counts,
)

__all__ = [
    "LoadState",
    "hold_mass_kg",
    "scenario_with",
    "state_of",
    "zone_seat_counts",
]
