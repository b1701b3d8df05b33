"""Numbers as they are given on the command line; the parser tells what is wrong with one."""

from __future__ import annotations

import argparse
from decimal import Decimal, DecimalException
from typing import Final

__all__ = ["number", "whole"]

#: Digits beyond which no option takes a number.
_MOST_DIGITS: Final = 30
_LONGEST_SHOWN: Final = 60


def whole(text: str) -> int:
    """Return a whole number, written out or like 1e5.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    try:
        value = Decimal(int(text)) if "_" in text else Decimal(text)
    except (DecimalException, ValueError):
        value = Decimal("nan")
    if value.is_finite() and value.adjusted() >= _MOST_DIGITS:
        raise _refusal(
            f"a whole number of at most {_MOST_DIGITS} digits", text, "Give a smaller one."
        )
    if value.is_finite() and value == int(value):
        return int(value)
    raise _refusal("a whole number", text, "Write it out in digits alone, such as 100000.")


def number(text: str) -> float:
    """Return a number, with a decimal point or like 1e-3.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    try:
        return float(text)
    except ValueError:
        cure = "Write it with a decimal point, such as 0.001, or as 1e-3."
        raise _refusal("a number", text, cure) from None


def _refusal(expected: str, text: str, cure: str) -> argparse.ArgumentTypeError:
    got = repr(text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}...")
    return argparse.ArgumentTypeError(f"expected {expected}; got {got}. {cure}")
