"""Sorting and free-seat bookkeeping in small arrays."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel

__all__ = ["deal_by_score", "nearest_free", "sort_by_score", "take"]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_SMALL = 16


@kernel
def deal_by_score(order: Ints, score: Floats, n: int, dealt: Ints, ends: Ints) -> None:
    """Put ``order[:n]`` nearly in order of score: dealt out to equal parts of their range.

    There are n - 1 parts, and one more for the greatest; little is left to sort then where scores
    are spread evenly. Where the range is too small or too great for parts, nothing is dealt.
    ``dealt`` and ``ends`` are scratch, at least ``n`` and ``n + 1`` long.
    """
    least, most = math.inf, -math.inf
    for i in range(n):
        least = min(least, score[order[i]])
        most = max(most, score[order[i]])
    parts = (n - 1) / (most - least) if least < most else 0.0
    if not 0.0 < parts < math.inf:
        return
    for part in range(n + 1):
        ends[part] = 0
    for i in range(n):
        ends[min(int((score[order[i]] - least) * parts), n - 1) + 1] += 1
    for part in range(n):
        ends[part + 1] += ends[part]
    for i in range(n):
        part = min(int((score[order[i]] - least) * parts), n - 1)
        dealt[ends[part]] = order[i]
        ends[part] += 1
    for i in range(n):
        order[i] = dealt[i]


@kernel
def sort_by_score(order: Ints, score: Floats, n: int, stack: Ints) -> None:
    """Sort ``order[:n]`` in place so that ``score[order]`` rises; ``stack`` is scratch, 128 long.

    Quicksort on the middle of three, insertion below 16; ties keep no particular order, but the
    outcome is a function of the input alone.
    """
    top = 0
    stack[0] = 0
    stack[1] = n - 1
    while top >= 0:
        low, high = stack[2 * top], stack[2 * top + 1]
        top -= 1
        while high - low > _SMALL:
            middle = (low + high) // 2
            a, b, c = score[order[low]], score[order[middle]], score[order[high]]
            pivot = max(min(a, b), min(max(a, b), c))
            i, j = low, high
            while i <= j:
                while score[order[i]] < pivot:
                    i += 1
                while score[order[j]] > pivot:
                    j -= 1
                if i <= j:
                    order[i], order[j] = order[j], order[i]
                    i += 1
                    j -= 1
            # Push the longer part, go on with the shorter: the stack stays below log2(n).
            if j - low > high - i:
                top += 1
                stack[2 * top], stack[2 * top + 1] = low, j
                low = i
            else:
                top += 1
                stack[2 * top], stack[2 * top + 1] = i, high
                high = j
        for i in range(low + 1, high + 1):
            item = order[i]
            value = score[item]
            j = i - 1
            while j >= low and score[order[j]] > value:
                order[j + 1] = order[j]
                j -= 1
            order[j + 1] = item


@kernel
def _find(link: Ints, i: int) -> int:
    while link[i] != i:
        link[i] = link[link[i]]
        i = link[i]
    return i


@kernel
def take(left: Ints, right: Ints, place: int) -> None:
    """Mark a place as taken. Places are 1..n; 0 and n + 1 are sentinels that are never taken."""
    left[place] = place - 1
    right[place] = place + 1


@kernel
def nearest_free(left: Ints, right: Ints, place: int, last: int) -> int:
    """Return the free place nearest to ``place`` (the later of two equally near), 0 if none."""
    before = _find(left, place)
    after = _find(right, place)
    if after > last:
        return before
    if before < 1:
        return after
    return after if after - place <= place - before else before
