"""The ledger of the watch (watch/ledger.py) where a store lies: `folder.py` in a folder, `bucket.py` in an object store, with
`buckets.py` to reach it. `opening.py` opens the one of a store."""

__all__ = [
    "opening",
]
