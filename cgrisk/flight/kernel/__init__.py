"""The compiled part of a flight. Import from its modules; importing this loads no compiler."""

from __future__ import annotations

__all__: list[str] = []
