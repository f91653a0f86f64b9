"""All sites all the time: what state each is in, now and in the last day, by the same findings as a note."""

__all__: list[str] = []
