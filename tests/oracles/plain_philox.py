"""Philox4x32 in plain whole numbers, both ways: slow, obvious, independent of the kernels.

Written from the description in Salmon, Moraes, Dror and Shaw, SC11 (2011), section 3.3.
"""

from __future__ import annotations

WORD = 2**32
MULTIPLIERS = (0xD2511F53, 0xCD9E8D57)
KEY_STEPS = (0x9E3779B9, 0xBB67AE85)
INVERSE_MULTIPLIERS = tuple(pow(m, -1, WORD) for m in MULTIPLIERS)

Words = tuple[int, int, int, int]


def round_keys(key: tuple[int, int], rounds: int) -> list[tuple[int, int]]:
    step0, step1 = KEY_STEPS
    return [((key[0] + r * step0) % WORD, (key[1] + r * step1) % WORD) for r in range(rounds)]


def philox(counter: Words, key: tuple[int, int], rounds: int = 10) -> Words:
    """Return the block of a counter."""
    left0, right0, left1, right1 = counter
    for key0, key1 in round_keys(key, rounds):
        high0, low0 = divmod(MULTIPLIERS[0] * left0, WORD)
        high1, low1 = divmod(MULTIPLIERS[1] * left1, WORD)
        left0, right0, left1, right1 = high1 ^ right0 ^ key0, low1, high0 ^ right1 ^ key1, low0
    return left0, right0, left1, right1


def unphilox(block: Words, key: tuple[int, int], rounds: int = 10) -> Words:
    """Return the counter of a block: an odd multiplier can be divided out modulo 2**32."""
    left0, right0, left1, right1 = block
    for key0, key1 in reversed(round_keys(key, rounds)):
        before0 = right1 * INVERSE_MULTIPLIERS[0] % WORD
        before1 = right0 * INVERSE_MULTIPLIERS[1] % WORD
        high0 = MULTIPLIERS[0] * before0 // WORD
        high1 = MULTIPLIERS[1] * before1 // WORD
        left0, right0, left1, right1 = before0, left0 ^ high1 ^ key0, before1, left1 ^ high0 ^ key1
    return left0, right0, left1, right1
