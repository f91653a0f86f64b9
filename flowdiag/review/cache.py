"""Partials kept in the store, so that a new day costs only that day.

One Arrow file for each site and month, a row a day. A row is right as long as its key is: a digest of the program's own
sources that make partials, of what the profile says about counting, and of the day's files. What cannot be read is made
again, and a store that cannot be written to is reviewed without.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.review.flow_days import REVIEW_FOLDER, FlowDays, FlowFile
from flowdiag.review.partial import SLOT_MINUTES, TALKER_SCHEMA, Missing, SitePartial, Stay
from flowdiag.site.profile import Profile

# A site-day takes some 15 kB; a month of a site with 64 links stays far below.
MAX_OCTETS: Final = 256 << 20
# Sources that decide what a partial says.
_SOURCES: Final = (
    "aggregator",
    "diagnoser",
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
        ("day", pa.date32()),
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

# A day's key and partial.
Kept = tuple[bytes, SitePartial]


class PartialCache:
    """The kept partials of one site. counting: of counting_profile()."""

    def __init__(self, store: FlowDays, counting: Profile) -> None:
        self._filesystem = store.filesystem
        places = (sorted(counting.site.exporters), [link.interfaces for link in counting.link])
        self._folder = (
            f"{store.root}/{REVIEW_FOLDER}/{hashlib.sha256(repr(places).encode()).hexdigest()[:16]}"
        )
        self._profile = counting.model_dump_json().encode()

    def key(self, files: Sequence[FlowFile]) -> bytes:
        """What the partial of a day with these files is kept under."""
        digest = hashlib.sha256(code_version() + self._profile)
        for file in files:
            digest.update(f"\n{file.name} {file.octets}".encode())
        return digest.digest()

    def read(self, month: str) -> dict[date, Kept]:
        """What is kept for a month (YYYY-MM); nothing if it is not there or damaged."""
        path = self._path(month)
        try:
            if not 0 < self._filesystem.get_file_info(path).size <= MAX_OCTETS:
                return {}
            with self._filesystem.open_input_file(path) as file:
                table = pa.ipc.open_stream(file.read()).read_all()
            if table.schema != _SCHEMA:
                return {}
            table = table.combine_chunks()
            return {
                row: (key, _partial(table, number))
                for number, (row, key) in enumerate(
                    zip(table["day"].to_pylist(), table["key"].to_pylist(), strict=True)
                )
            }
        except (OSError, TypeError, ValueError, pa.ArrowException):
            return {}

    def write(self, month: str, kept: Mapping[date, Kept]) -> bool:
        """Keeps these days of a month instead of what was kept; whether it could."""
        rows = [_row(day, *kept[day]) for day in sorted(kept)]
        sink = pa.BufferOutputStream()
        options = pa.ipc.IpcWriteOptions(compression="zstd")
        with pa.ipc.new_stream(sink, _SCHEMA, options=options) as writer:
            writer.write_table(pa.Table.from_pylist(rows, schema=_SCHEMA))
        path = self._path(month)
        aside = f"{path}.{hashlib.sha256(repr(sorted(kept)).encode()).hexdigest()[:8]}.tmp"
        try:
            self._filesystem.create_dir(self._folder, recursive=True)
            with self._filesystem.open_output_stream(aside) as file:
                file.write(sink.getvalue())
            self._filesystem.move(aside, path)
        except (OSError, pa.ArrowException):
            return False
        return True

    def _path(self, month: str) -> str:
        return f"{self._folder}/{month}.arrow"


@cache
def code_version() -> bytes:
    """A digest of the sources that decide what a partial says."""
    package = Path(__file__).parent.parent
    digest = hashlib.sha256()
    for name in _SOURCES:
        place = package / name
        files = [place] if place.is_file() else sorted([*place.glob("*.py"), *place.glob("*.csv")])
        for file in files:
            digest.update(file.name.encode() + file.read_bytes())
    return digest.digest()


def _row(day: date, key: bytes, partial: SitePartial) -> dict[str, Any]:
    return {
        "day": day,
        "key": key,
        "links": partial.links,
        "minutes": partial.minutes,
        "start_ms": partial.start_ms,
        "wire_octets": _packed(partial.wire_octets),
        "covered": np.packbits(partial.covered).tobytes(),
        "ip_octets": _packed(partial.ip_octets),
        "leaked": _packed(partial.leaked),
        **{name: partial.talkers[name].to_pylist() for name in TALKER_SCHEMA.names},
        "hosts": partial.hosts,
        "records": partial.records,
        "lost_records": partial.lost_records,
        "stays": [vars(stay) for stay in partial.stays],
        "missing": [vars(gap) for gap in partial.missing],
    }


def _partial(table: pa.Table, number: int) -> SitePartial:
    """Raises ValueError or TypeError for a row that does not fit together."""
    row = {
        name: table[name][number].as_py()
        for name in ("links", "minutes", "start_ms", "hosts", "records", "lost_records", "stays", "missing")
    }
    links, minutes = row["links"], row["minutes"]
    slots = minutes // SLOT_MINUTES

    def array(name: str, *shape: int) -> NDArray[np.uint64]:
        return _unpacked(table[name][number].as_buffer(), shape)

    bits = np.frombuffer(table["covered"][number].as_buffer(), np.uint8)
    return SitePartial(
        start_ms=row["start_ms"],
        wire_octets=array("wire_octets", links, 2, minutes),
        covered=np.unpackbits(bits, count=minutes).astype(np.bool_),
        ip_octets=array("ip_octets", links, slots),
        leaked=array("leaked", links, slots),
        talkers=pa.table([table[name][number].values for name in TALKER_SCHEMA.names], schema=TALKER_SCHEMA),
        hosts=row["hosts"],
        records=row["records"],
        lost_records=row["lost_records"],
        stays=tuple(Stay(**stay) for stay in row["stays"]),
        missing=tuple(Missing(**gap) for gap in row["missing"]),
    )


def _packed(octets: NDArray[np.uint64]) -> bytes:
    """Little-endian, in four octets each where all fit."""
    narrow = not len(octets.ravel()) or int(octets.max()) < 1 << 32
    return octets.astype("<u4" if narrow else "<u8").tobytes()


def _unpacked(data: pa.Buffer, shape: tuple[int, ...]) -> NDArray[np.uint64]:
    count = int(np.prod(shape))
    width = "<u4" if len(data) == 4 * count else "<u8"
    return np.frombuffer(data, width).astype(np.uint64).reshape(shape)
