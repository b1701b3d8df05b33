"""Risk that passenger movement and loading carry an aircraft's centre of gravity out of limits.

cgrisk samples whole flights: who sits where, what everybody weighs, who gets up and when, carts,
holds and fuel, and says how likely the aircraft is to leave its certified envelope. It is a study
aid, not approved data and not for dispatch.
"""

from __future__ import annotations

__all__ = ["__version__"]

__version__ = "0.1.0"
