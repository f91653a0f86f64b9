"""The flow store: Parquet files by exporter and day, changed as a whole or not at all."""

__all__ = [
    "adding",
    "asking",
    "backends",
    "changes",
    "cluster",
    "finding",
    "folder",
    "ingest",
    "layout",
    "opening",
    "prepare",
    "reading",
    "sharing",
    "statistics",
    "upkeep",
    "workers",
    "writer",
]
