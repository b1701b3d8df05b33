"""A probability with its interval, for a terminal: two figures, one notation."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["chance_text", "same_notation"]

#: Below it a number would be written with a power of ten by itself.
_SMALL = 1e-4


def same_notation(values: Sequence[float]) -> list[str]:
    """Return numbers that are read together to two figures: all decimals, or all powers of ten."""
    small = any(0.0 < abs(value) < _SMALL for value in values)
    return [f"{value:.1e}" if small and value else f"{value:.2g}" for value in values]


def chance_text(estimate: float, *, low: float, high: float) -> str:
    """Return a probability with its interval; where the estimate is 0, the upper bound."""
    if estimate <= 0.0:
        return f"at most {high:.2g}"
    middle, least, most = same_notation([estimate, low, high])
    return f"{middle} ({least} to {most})"
