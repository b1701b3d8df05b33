"""Beyond counting: splitting, strata, tilting, exact laws, a tail fit as a check, and the choice."""

__all__: list[str] = []
