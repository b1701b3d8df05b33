"""Beyond counting: splitting in strata, tilting, exact laws, a tail fit as check, the choice."""

__all__: list[str] = []
