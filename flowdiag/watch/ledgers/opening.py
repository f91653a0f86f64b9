"""Opens the ledger of a store."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from flowdiag.collector.store.backends import is_url
from flowdiag.watch.ledger import Ledger

_FILE: Final = "file://"


def open_ledger(store: str | Path) -> Ledger:
    """The ledger of a store, at the address by which the store is opened. Nothing is read or made yet.

    Raises StoreError for an address of which none can be kept, FlowdiagError where the packages for that are missing.
    """
    address = str(store)
    if address.lower().startswith(_FILE):
        address = address[len(_FILE) :]
    if is_url(address):
        from flowdiag.watch.ledgers.bucket import BucketLedger

        return BucketLedger(address)
    from flowdiag.watch.ledgers.folder import FolderLedger

    return FolderLedger(Path(address))
