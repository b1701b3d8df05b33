"""Seeds for the parts of an estimate, made from its one seed and their names."""

from __future__ import annotations

import hashlib

import numpy as np

from cgrisk.randomness import resolve_seed

__all__ = ["derived_seed", "generator"]


def _digest(seed: int, labels: tuple[str, ...]) -> bytes:
    text = "\0".join([str(resolve_seed(seed)), *labels])
    return hashlib.sha256(text.encode()).digest()


def derived_seed(seed: int, *labels: str) -> int:
    """Return the seed of a part, 0 to 2**64 - 1: other labels, other seeds.

    The first 64 bits of the SHA-256 of the seed and the labels.

    Raises
    ------
    UsageError
        If ``seed`` is no seed.
    """
    return int.from_bytes(_digest(seed, labels)[:8], "big")


def generator(seed: int, *labels: str) -> np.random.Generator:
    """Return numpy's Philox generator of a part, keyed from the seed and the labels (128 bits).

    Raises
    ------
    UsageError
        If ``seed`` is no seed.
    """
    return np.random.Generator(
        np.random.Philox(key=int.from_bytes(_digest(seed, labels)[8:24], "big"))
    )
