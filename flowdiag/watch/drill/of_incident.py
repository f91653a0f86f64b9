"""The drill of an incident that the watch told, by its key."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from flowdiag.collector.store.backends import is_url
from flowdiag.errors import UsageError
from flowdiag.site.catalogue import Catalogue
from flowdiag.watch.drill.drill import Drill
from flowdiag.watch.drill.measuring import drill_of
from flowdiag.watch.drill.rendering import from_object
from flowdiag.watch.going_on import last_event
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.part import read_parts

ON_BACKUP: Final = "on-backup"


def drill_of_incident(store: str, folder: Path, key: str) -> Drill:
    """store: its place; folder: of profiles; key: of an incident `on-backup`. From the flows, or what the watch wrote down where
    they are gone. Raises UsageError for a key that is none, StoreError, ProfileError."""
    where = store if is_url(store) else str(Path(store).resolve())
    ledger = open_ledger(where)
    try:
        event = last_event((part for _, part in read_parts(ledger)), key)
    finally:
        ledger.close()
    site = None
    if event is not None and event.code == ON_BACKUP:
        site = next((one for one in Catalogue(folder).all() if one.place == event.place), None)
    if event is None or site is None:
        raise UsageError(
            f"--drill {key[:40]!r}: no stay on a backup of these sites has this key",
            expected='the "key" of an event of the code on-backup',
        )
    found = drill_of(where, site.profile, event.began_ms, event.ended_ms)
    if found is None and event.drill is not None:
        found = from_object(event.drill)
    if found is None:
        raise UsageError(
            f"--drill {key}: the flows of that time show no change over to a backup, or are gone"
        )
    return found
