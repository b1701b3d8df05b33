"""Checks that the interval functions share: every refusal is a UsageError with its cure."""

from __future__ import annotations

import operator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cgrisk.errors import UsageError

__all__ = ["checked_array", "checked_count", "checked_fraction", "checked_values", "flights_text"]


def flights_text(flights: int) -> str:
    """Return the count with its noun, for method texts: ``1 flight``, ``300 flights``."""
    return f"{flights} flight" if flights == 1 else f"{flights} flights"


def checked_fraction(value: object, *, argument: str) -> float:
    """Return a number strictly between 0 and 1 as float, or raise UsageError."""
    if isinstance(value, (int, float, np.number)) and not np.iscomplexobj(value):
        number = float(value)
        if 0.0 < number < 1.0:  # also refuses a NaN and the truth values
            return number
    raise UsageError(
        argument=argument,
        expected="a number strictly between 0 and 1",
        got=value,
        cure="Give a fraction, for instance 0.95 for 95 %.",
    )


def checked_count(value: object, *, argument: str, least: int) -> int:
    """Return a whole number of at least ``least`` as int, or raise UsageError."""
    count: int | None = None
    if not isinstance(value, (bool, np.bool_)):
        try:
            count = operator.index(value)  # type: ignore[arg-type]
        except TypeError:
            count = None
    if count is None or count < least:
        raise UsageError(
            argument=argument,
            expected=f"a whole number of at least {least}",
            got=value,
            cure="Count flights as integers; a float, a NaN or a truth value is not taken.",
        )
    return count


def checked_array(
    values: ArrayLike, *, argument: str, kinds: str, noun: str
) -> NDArray[np.generic]:
    """Return a non-empty one-dimensional array whose dtype kind is in ``kinds``, or raise."""
    try:
        array: NDArray[np.generic] = np.asarray(values)
    except ValueError:  # ragged nesting
        array = np.asarray(None, dtype=object)
    if array.ndim == 1 and array.size > 0 and array.dtype.kind in kinds:
        return array
    raise UsageError(
        argument=argument,
        expected=f"a one-dimensional array of {noun} with at least one entry",
        got=f"shape {array.shape}, dtype {array.dtype}",
        cure="Give one entry for each flight or offset.",
    )


def checked_values(values: ArrayLike, *, argument: str) -> NDArray[np.float64]:
    """Return finite numbers as a float64 array of shape (n,), n >= 1, or raise UsageError."""
    array = checked_array(values, argument=argument, kinds="fiu", noun="numbers")
    numbers = array.astype(np.float64)
    faulty = np.flatnonzero(~np.isfinite(numbers))
    if faulty.size:
        raise UsageError(
            argument=argument,
            expected="finite numbers",
            got=f"{faulty.size} of {numbers.size} not finite, the first at index {faulty[0]}",
            cure="Find out why these have no value; dropping flights silently biases the answer.",
        )
    return numbers
