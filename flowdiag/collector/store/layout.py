"""How a store is laid out: partitions by exporter and day, and flowdiag's own folder beside them.

    exporter=192.0.2.10/day=2026-03-02/20260302T140000-5f0c2a9b81d3-0000.parquet
    _flowdiag/store.json      says that this is a store, and of which version
    _flowdiag/ingested/       one file for each export that is in the store, named by its content
    _flowdiag/collected/      how far each collector's spool is in the store
    _flowdiag/aside/          files being written
    _flowdiag/rollups/        for each file of flows, at its path, sums and summaries of it (flowdiag/rollup/)
    _flowdiag/retained/       for each partition whose flows went because of their age, which roll-ups stay
    _flowdiag/journal.json    the change being made

Facts the design follows:
- the keys of a partition are in the names of its folders and not in its files: the Hive convention, which Arrow,
  pandas, Dask, Spark and SQL engines read; values are percent-encoded; what has no value is
  __HIVE_DEFAULT_PARTITION__. Names that start with an underscore are not data;
- day is the UTC day of a flow's end by the clock of the capture: where an exporter's clock is off, times stay as
  exported, and the day is right all the same;
- names of files start with the time their export began, so that they sort in order of export.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from functools import lru_cache
from typing import Final, NamedTuple
from urllib.parse import quote, unquote

from flowdiag.addresses import UNKNOWN_ADDRESS, to_bytes, to_text
from flowdiag.collector.store.folder import OWN_FOLDER
from flowdiag.durations import DAY_MS, LAST_MS

MARKER: Final = f"{OWN_FOLDER}/store.json"
INGESTED: Final = f"{OWN_FOLDER}/ingested"
JOURNAL: Final = f"{OWN_FOLDER}/journal.json"
ROLLUPS: Final = f"{OWN_FOLDER}/rollups"
RETAINED: Final = f"{OWN_FOLDER}/retained"

NOTHING: Final = "__HIVE_DEFAULT_PARTITION__"
SUFFIX: Final = ".parquet"
# Not that of Parquet, so that nobody who reads all Parquet files below the store takes it for flows.
ROLLUP_SUFFIX: Final = ".rollup"
NOTE_SUFFIX: Final = ".json"
_EXPORTER: Final = "exporter="
_DAY: Final = "day="
_STAMP: Final = "%Y%m%dT%H%M%S"
_EPOCH: Final = date(1970, 1, 1).toordinal()
# Days that a date can name (year 9999), and that export times can mean and more.
LAST_DAY: Final = LAST_MS // DAY_MS
# Partitions of one export: two years of one exporter, or a month of a few dozen.
MAX_PARTITIONS: Final = 1_000


class Partition(NamedTuple):
    """exporter: 16 octets; day: days since 1970-01-01 UTC, -1 for flows without a usable day."""

    exporter: bytes
    day: int

    @property
    def folder(self) -> str:
        return f"{exporter_folder(self.exporter)}/{_DAY}{day_text(self.day)}"


NO_DAY: Final = -1


def day_text(day: int) -> str:
    return NOTHING if day < 0 else date.fromordinal(_EPOCH + day).isoformat()


def exporter_folder(exporter: bytes) -> str:
    """The folder of an exporter's partitions."""
    name = NOTHING if exporter == UNKNOWN_ADDRESS else quote(to_text(exporter), safe=".")
    return f"{_EXPORTER}{name}"


@lru_cache(maxsize=65_536)
def exporter_of(folder: str) -> bytes | None:
    """The exporter that a folder of a store is for; None for a folder that is no partition."""
    if not folder.startswith(_EXPORTER):
        return None
    name = folder[len(_EXPORTER) :]
    if name == NOTHING:
        return UNKNOWN_ADDRESS
    try:
        return to_bytes(unquote(name))
    except ValueError:
        return None


def day_of(folder: str) -> int | None:
    """The day that a folder below an exporter's is for; None for a folder that is no partition."""
    if not folder.startswith(_DAY):
        return None
    name = folder[len(_DAY) :]
    if name == NOTHING:
        return NO_DAY
    try:
        return date.fromisoformat(name).toordinal() - _EPOCH
    except ValueError:
        return None


def partition_of(path: str) -> Partition | None:
    """The partition of a file; None if it is no file of flows."""
    parts = path.split("/")
    if len(parts) != 3 or not parts[2].endswith(SUFFIX) or parts[2].startswith((".", "_")):
        return None
    exporter, day = exporter_of(parts[0]), day_of(parts[1])
    return None if exporter is None or day is None else Partition(exporter, day)


def file_name(began_ms: int, unit: str, number: int) -> str:
    """began_ms: when the export began that the file is made of; unit: names that export; number: of the file in it."""
    seconds = min(max(began_ms // 1000, 0), LAST_DAY * 86_400)
    began = datetime.fromtimestamp(seconds, UTC).strftime(_STAMP)
    return f"{began}-{unit[:12]}-{number:04d}{SUFFIX}"


def rollup_path(target: str) -> str:
    """Where the roll-up of a file of flows stands, by the file's path in the store."""
    return f"{ROLLUPS}/{target.removesuffix(SUFFIX)}{ROLLUP_SUFFIX}"


def target_of(rollup: str) -> str:
    """The path of the file of flows that a roll-up is of, by its own."""
    return rollup.removeprefix(f"{ROLLUPS}/").removesuffix(ROLLUP_SUFFIX) + SUFFIX


def retained_path(partition: Partition) -> str:
    """The note about the roll-ups of a partition whose flows went because of their age."""
    return f"{RETAINED}/{partition.folder}{NOTE_SUFFIX}"


def retained_partition(path: str) -> Partition | None:
    """The partition that such a note is about; None if it is none."""
    parts = path.removeprefix(f"{RETAINED}/").removesuffix(NOTE_SUFFIX).split("/")
    if len(parts) != 2 or not path.startswith(f"{RETAINED}/"):
        return None
    exporter, day = exporter_of(parts[0]), day_of(parts[1])
    return None if exporter is None or day is None else Partition(exporter, day)


def began_of(path: str) -> int:
    """When the export began that a file is made of, ms since 1970 UTC, by its name; 0 if that does not say."""
    try:
        began = datetime.strptime(path.rpartition("/")[2][:15], _STAMP)
    except ValueError:
        return 0
    return round(began.replace(tzinfo=UTC).timestamp() * 1000)
