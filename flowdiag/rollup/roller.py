"""Who makes roll-ups, for those who hand it to a store: nothing heavy is loaded by naming it."""

from __future__ import annotations

from flowdiag.collector.store.rolling import Roller


def roller() -> Roller | None:
    """The maker of roll-ups; None where there is none, and files of flows stand alone."""
    return None
