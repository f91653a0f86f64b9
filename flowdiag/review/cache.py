"""Partials kept in the store, so that a new day costs only that day.

One file for each site and month in the store's own folder: what is known of its days, and the arrays of all of them one
behind the other, of which a day's partial is a view. So a month is read at once, whatever its days. A day is right as long
as its key is: a digest of the program's own sources that make partials, of what the profile says about
counting, and of the day's files. What cannot be read is made again, and a store that cannot be written to is reviewed
without.
"""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
import pyarrow as pa
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.folder import OWN_FOLDER
from flowdiag.errors import StoreError
from flowdiag.review.flow_days import FlowDay
from flowdiag.review.partial import SLOT_MINUTES, Missing, SitePartial, Stay
from flowdiag.review.talkers import DTYPES, OF_HOSTS, OF_HOURS, Talkers, stacked
from flowdiag.site.profile import Profile

REVIEWED: Final = f"{OWN_FOLDER}/reviewed"
# Of what is written; the first had a row a day.
VERSION: Final = 2
# A month of a site takes some 300 kB; that of a site with 64 links stays far below.
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
    "review/rolled_days.py",
    "review/rolled_counting.py",
    "review/site_day.py",
    "review/talkers.py",
    "rollup/looking.py",
    "rollup/minute_sums.py",
    "rollup/shape.py",
)

_ARRAYS: Final[dict[str, Any]] = {
    "wire_octets": np.uint64, "covered": np.uint8, "ip_octets": np.uint64, "leaked": np.uint64, **DTYPES,
}  # fmt: skip
_MAGIC: Final = b"flowdiag-review" + bytes([VERSION])
_DIGEST_OCTETS: Final = 16
# Half as large again as by zstd, and read in a third of the time; it is read more often than written.
_CODEC: Final = "lz4"


class _Day(Struct, frozen=True, array_like=True):
    """What is kept of a day beside its arrays. hour_rows, host_rows: of its talkers."""

    day: int
    key: bytes
    start_ms: int
    minutes: int
    hosts: int
    records: int
    lost_records: int
    stays: tuple[Stay, ...]
    missing: tuple[Missing, ...]
    hour_rows: int
    host_rows: int


class _Month(Struct, frozen=True, array_like=True):
    """octets: of the addresses and of each of _ARRAYS, in their order; packed: all of them."""

    links: int
    days: tuple[_Day, ...]
    octets: tuple[int, ...]
    packed: bytes


class KeptMonth:
    """The kept partials of a site's month by their day (days since 1970), each with its key."""

    def __init__(self, days: dict[int, tuple[bytes, SitePartial]] | None = None) -> None:
        self._days = days or {}
        self.changed = False

    def get(self, day: int, key: bytes) -> SitePartial | None:
        """What is kept for a day under this key; None if there is nothing."""
        known, partial = self._days.get(day, (b"", None))
        return partial if known == key else None

    def keep(self, day: int, key: bytes, partial: SitePartial) -> None:
        self._days[day] = key, partial
        self.changed = True

    def octets(self) -> bytes:
        """All of them, as they are kept."""
        kept = sorted(self._days.items())
        partials = [partial for _, (_, partial) in kept]
        talkers = stacked([partial.talkers for partial in partials])
        days = tuple(
            _Day(
                day, key, partial.start_ms, partial.minutes, partial.hosts, partial.records, partial.lost_records,
                partial.stays, partial.missing, len(partial.talkers.hour), len(partial.talkers.host),
            )
            for day, (key, partial) in kept
        )  # fmt: skip
        found = {
            name: np.concatenate([getattr(partial, name) for partial in partials], axis=-1)
            for name in ("wire_octets", "covered", "ip_octets", "leaked")
        }
        found["covered"] = np.packbits(found["covered"])
        found |= {name: getattr(talkers, name) for name in DTYPES}
        parts = [
            b"".join(talkers.addresses.to_pylist()),
            *(_packed(found[name]) for name in _ARRAYS),
        ]
        packed = pa.compress(b"".join(parts), codec=_CODEC, asbytes=True)
        month = msgspec.msgpack.encode(_Month(partials[0].links, days, tuple(map(len, parts)), packed))
        return _MAGIC + _digest(month) + month


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
        try:
            octets = self._backend.read(self._path(month))
            if octets is None or len(octets) > MAX_OCTETS:
                return KeptMonth()
            return KeptMonth(_days(octets))
        except (OSError, ValueError, TypeError, StoreError, pa.ArrowException, msgspec.MsgspecError):
            return KeptMonth()

    def write(self, month: str, kept: KeptMonth) -> bool:
        """Keeps a month instead of what was kept; whether it could."""
        try:
            self._backend.write(self._path(month), kept.octets())
        except (OSError, StoreError, pa.ArrowException):
            return False
        return True

    def _path(self, month: str) -> str:
        return f"{self._folder}/{month}.days"


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


def _days(octets: bytes) -> dict[int, tuple[bytes, SitePartial]]:
    """Nothing of another version. Raises ValueError or TypeError for what does not fit together."""
    body = memoryview(octets)[len(_MAGIC) + _DIGEST_OCTETS :]
    if not octets.startswith(_MAGIC) or octets[len(_MAGIC) : len(_MAGIC) + _DIGEST_OCTETS] != _digest(body):
        return {}
    month = msgspec.msgpack.decode(body, type=_Month)
    whole = sum(month.octets)
    if not 0 <= whole <= MAX_OCTETS or min(month.octets, default=0) < 0:
        raise ValueError("too much to be a month")
    unpacked = memoryview(pa.decompress(month.packed, decompressed_size=whole, codec=_CODEC))
    ends = np.cumsum(month.octets).tolist()
    addresses, *bodies = (
        unpacked[end - length : end] for end, length in zip(ends, month.octets, strict=True)
    )
    minutes, of_hours, of_hosts = (
        sum(getattr(day, name) for day in month.days) for name in ("minutes", "hour_rows", "host_rows")
    )
    shapes: dict[str, tuple[int, ...]] = {
        "wire_octets": (month.links, 2, minutes),
        "covered": (-(-minutes // 8),),
        "ip_octets": (month.links, minutes // SLOT_MINUTES),
        "leaked": (month.links, minutes // SLOT_MINUTES),
        **dict.fromkeys(OF_HOURS, (of_hours,)),
        **dict.fromkeys(OF_HOSTS, (of_hosts,)),
    }
    arrays = {
        name: _unpacked(part, shapes[name], _ARRAYS[name]) for name, part in zip(_ARRAYS, bodies, strict=True)
    }
    pool = pa.Array.from_buffers(pa.binary(16), len(addresses) // 16, [None, pa.py_buffer(addresses)])
    if of_hosts and int(arrays["host"].max()) >= len(pool):
        raise ValueError("a host that has no address")
    covered = np.unpackbits(arrays["covered"], count=minutes).view(np.bool_)
    talkers = Talkers(**{name: arrays[name] for name in DTYPES}, addresses=pool)
    found = {}
    at = hour = host = 0
    for day in month.days:
        here, slots = (
            slice(at, at + day.minutes),
            slice(at // SLOT_MINUTES, (at + day.minutes) // SLOT_MINUTES),
        )
        partial = SitePartial(
            start_ms=day.start_ms,
            wire_octets=arrays["wire_octets"][:, :, here],
            covered=covered[here],
            ip_octets=arrays["ip_octets"][:, slots],
            leaked=arrays["leaked"][:, slots],
            talkers=talkers.part(slice(hour, hour + day.hour_rows), slice(host, host + day.host_rows)),
            hosts=day.hosts,
            records=day.records,
            lost_records=day.lost_records,
            stays=day.stays,
            missing=day.missing,
        )
        found[day.day] = day.key, partial
        at, hour, host = at + day.minutes, hour + day.hour_rows, host + day.host_rows
    return found


_WIDTHS: Final = ("<u1", "<u2", "<u4", "<u8")


def _digest(octets: bytes | memoryview) -> bytes:
    return hashlib.blake2b(octets, digest_size=_DIGEST_OCTETS).digest()


def _packed(values: NDArray[Any]) -> bytes:
    """Whole numbers from 0 on, little-endian, in as few octets each as all fit in."""
    most = int(values.max()) if values.size else 0
    width = next(width for width in _WIDTHS if most < 1 << 8 * np.dtype(width).itemsize)
    return values.astype(width).tobytes()


def _unpacked(data: memoryview, shape: tuple[int, ...], wanted: Any) -> NDArray[Any]:
    """Raises ValueError where they are not so many."""
    count = int(np.prod(shape))
    width = next((width for width in _WIDTHS if np.dtype(width).itemsize * count == len(data)), None)
    if width is None:
        raise ValueError("not as many numbers as there should be")
    return np.frombuffer(data, width).astype(wanted).reshape(shape)
