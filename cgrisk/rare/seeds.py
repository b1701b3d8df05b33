"""Seeds and generators for one purpose each, derived from the seed of the whole."""

from __future__ import annotations

import hashlib

import numpy as np

__all__ = ["derived_seed", "generator"]


def derived_seed(seed: int, *labels: str) -> int:
    """Return the seed (64 bits) of one purpose: SHA-256 of the seed and the labels.

    Other labels give other flights under the same flight numbers, so that a pilot shares nothing
    with what it prepares.
    """
    text = "\x1f".join((str(seed), *labels))
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "little")


def generator(seed: int, *labels: str) -> np.random.Generator:
    """Return a generator (Philox) for choices that are not draws of a flight."""
    return np.random.Generator(np.random.Philox(derived_seed(seed, "choices", *labels)))
