"""Partials kept in the store, so that a new day costs only that day.

One Arrow file for each site and month, a row a day, in the store's own folder. A row is right as long as its key is: a
digest of the program's own sources that make partials, of what the profile says about counting, and of the day's files.
What cannot be read is made again, and a store that cannot be written to is reviewed without.
"""

from __future__ import annotations

import hashlib
import math
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
from msgspec.structs import asdict
from numpy.typing import NDArray

from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.folder import OWN_FOLDER
from flowdiag.errors import StoreError
from flowdiag.review.flow_days import FlowDay
from flowdiag.review.partial import SLOT_MINUTES, TALKER_SCHEMA, Missing, SitePartial, Stay
from flowdiag.site.profile import Profile

REVIEWED: Final = f"{OWN_FOLDER}/reviewed"
# A site-day takes some 15 kB; a month of a site with 64 links stays far below.
MAX_OCTETS: Final = 256 << 20
# Sources that decide what a partial says.
_SOURCES: Final = (
    "addresses.py",
    "aggregator",
    "collector/clocks.py",
    "diagnoser",
    "durations.py",
    "flows.py",
    "review/cache.py",
    "review/partial.py",
    "review/site_day.py",
    "review/talkers.py",
)

_STAY: Final = pa.struct(
    [
        ("link", pa.int32()),
        ("start_ms", pa.int64()),
        ("end_ms", pa.int64()),
        ("octets_down", pa.int64()),
        ("octets_up", pa.int64()),
        ("began_before", pa.bool_()),
        ("still", pa.bool_()),
    ]
)
_MISSING: Final = pa.struct([("link", pa.int32()), ("start_ms", pa.int64()), ("end_ms", pa.int64())])
_SCHEMA: Final = pa.schema(
    [
        ("day", pa.int32()),
        ("key", pa.binary(32)),
        ("links", pa.int32()),
        ("minutes", pa.int32()),
        ("start_ms", pa.int64()),
        ("wire_octets", pa.binary()),
        ("covered", pa.binary()),
        ("ip_octets", pa.binary()),
        ("leaked", pa.binary()),
        ("series", pa.list_(pa.uint8())),
        ("slot", pa.list_(pa.int64())),
        ("address", pa.list_(pa.binary(16))),
        ("octets", pa.list_(pa.uint64())),
        ("hosts", pa.int64()),
        ("records", pa.int64()),
        ("lost_records", pa.int64()),
        ("stays", pa.list_(_STAY)),
        ("missing", pa.list_(_MISSING)),
    ]
)


class KeptMonth:
    """The kept partials of a site's month. Those that stay are written again as they are, unread."""

    def __init__(self, table: pa.Table) -> None:
        self._table = table
        self._keys: dict[int, bytes] = dict(
            zip(table["day"].to_pylist(), table["key"].to_pylist(), strict=True)
        )
        self._rows = {day: row for row, day in enumerate(self._keys)}
        self._new: dict[int, tuple[bytes, SitePartial]] = {}

    def get(self, day: int, key: bytes) -> SitePartial | None:
        """What is kept for a day (days since 1970) under this key; None if there is nothing or it is damaged."""
        if self._keys.get(day) != key:
            return None
        try:
            return _partial(self._table.slice(self._rows[day], 1))
        except (TypeError, ValueError):
            return None

    def keep(self, day: int, key: bytes, partial: SitePartial) -> None:
        self._new[day] = key, partial

    @property
    def changed(self) -> bool:
        return bool(self._new)

    def table(self) -> pa.Table:
        """What is to be kept: one row a day, in order."""
        stay = [row for day, row in self._rows.items() if day not in self._new]
        new = [_row(day, *kept) for day, kept in self._new.items()]
        return pa.concat_tables([self._table.take(pa.array(stay, pa.int64())), *new]).sort_by("day")


class PartialCache:
    """The kept partials of one site. counting: of counting_profile()."""

    def __init__(self, backend: StorageBackend, counting: Profile) -> None:
        self._backend = backend
        counted = (sorted(counting.site.exporters), [link.interfaces for link in counting.link])
        self._folder = f"{REVIEWED}/{hashlib.sha256(repr(counted).encode()).hexdigest()[:16]}"
        self._rules = code_version() + counting.model_dump_json().encode()

    def key(self, day: FlowDay) -> bytes:
        """What the partial of a day is kept under."""
        return hashlib.sha256(b"\n".join([self._rules, *(name.encode() for name in day.names)])).digest()

    def read(self, month: str) -> KeptMonth:
        """What is kept for a month (YYYY-MM); nothing if it is not there or damaged."""
        nothing = KeptMonth(_SCHEMA.empty_table())
        try:
            octets = self._backend.read(self._path(month))
            if octets is None or len(octets) > MAX_OCTETS:
                return nothing
            # As large as one batch: threads would cost more than they save.
            options = pa.ipc.IpcReadOptions(use_threads=False)
            table = pa.ipc.open_stream(octets, options=options).read_all()
            return KeptMonth(table.combine_chunks()) if table.schema == _SCHEMA else nothing
        except (OSError, ValueError, StoreError, pa.ArrowException):
            return nothing

    def write(self, month: str, kept: KeptMonth) -> bool:
        """Keeps a month instead of what was kept; whether it could."""
        sink = pa.BufferOutputStream()
        # Half as large again as by zstd, and read in a third of the time; it is read more often than written.
        options = pa.ipc.IpcWriteOptions(compression="lz4")
        with pa.ipc.new_stream(sink, _SCHEMA, options=options) as writer:
            writer.write_table(kept.table())
        try:
            self._backend.write(self._path(month), sink.getvalue().to_pybytes())
        except (OSError, StoreError, pa.ArrowException):
            return False
        return True

    def _path(self, month: str) -> str:
        return f"{self._folder}/{month}.arrow"


_PLAIN: Final = ("links", "minutes", "start_ms", "hosts", "records", "lost_records", "stays", "missing")


@cache
def code_version() -> bytes:
    """A digest of the sources that decide what a partial says."""
    package = Path(__file__).parent.parent
    digest = hashlib.sha256()
    for name in _SOURCES:
        path = package / name
        files = [path] if path.is_file() else sorted([*path.rglob("*.py"), *path.rglob("*.csv")])
        for file in files:
            digest.update(file.name.encode() + file.read_bytes())
    return digest.digest()


def _row(day: int, key: bytes, partial: SitePartial) -> pa.Table:
    values: dict[str, Any] = {
        "day": day,
        "key": key,
        "links": partial.links,
        "minutes": partial.minutes,
        "start_ms": partial.start_ms,
        "wire_octets": _packed(partial.wire_octets),
        "covered": np.packbits(partial.covered).tobytes(),
        "ip_octets": _packed(partial.ip_octets),
        "leaked": _packed(partial.leaked),
        "hosts": partial.hosts,
        "records": partial.records,
        "lost_records": partial.lost_records,
        "stays": [asdict(stay) for stay in partial.stays],
        "missing": [asdict(gap) for gap in partial.missing],
    }
    columns = {
        field.name: pa.array([values[field.name]], field.type) for field in _SCHEMA if field.name in values
    }
    talkers = partial.talkers.combine_chunks()
    for name in TALKER_SCHEMA.names:
        column = talkers[name].chunk(0) if len(talkers) else pa.array([], TALKER_SCHEMA.field(name).type)
        columns[name] = pa.ListArray.from_arrays(pa.array([0, len(column)], pa.int32()), column)
    return pa.table([columns[name] for name in _SCHEMA.names], schema=_SCHEMA)


def _partial(table: pa.Table) -> SitePartial:
    """table: of one row. Raises ValueError or TypeError for a row that does not fit together."""
    row = {name: table[name][0].as_py() for name in _PLAIN}
    links, minutes = row["links"], row["minutes"]
    slots = minutes // SLOT_MINUTES

    def array(name: str, *shape: int) -> NDArray[np.uint64]:
        return _unpacked(table[name][0].as_buffer(), shape)

    bits = np.frombuffer(table["covered"][0].as_buffer(), np.uint8)
    return SitePartial(
        start_ms=row["start_ms"],
        wire_octets=array("wire_octets", links, 2, minutes),
        covered=np.unpackbits(bits, count=minutes).astype(np.bool_),
        ip_octets=array("ip_octets", links, slots),
        leaked=array("leaked", links, slots),
        talkers=pa.table([table[name][0].values for name in TALKER_SCHEMA.names], schema=TALKER_SCHEMA),
        hosts=row["hosts"],
        records=row["records"],
        lost_records=row["lost_records"],
        stays=tuple(Stay(**stay) for stay in row["stays"]),
        missing=tuple(Missing(**gap) for gap in row["missing"]),
    )


def _packed(octets: NDArray[np.uint64]) -> bytes:
    """Little-endian, in four octets each where all fit."""
    narrow = not octets.size or int(octets.max()) < 1 << 32
    return octets.astype("<u4" if narrow else "<u8").tobytes()


def _unpacked(data: pa.Buffer, shape: tuple[int, ...]) -> NDArray[np.uint64]:
    width = "<u4" if len(data) == 4 * math.prod(shape) else "<u8"
    return np.frombuffer(data, width).astype(np.uint64).reshape(shape)
