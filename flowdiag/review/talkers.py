"""Who filled a link: of each hour, link and direction what its inside hosts carried.

Facts the design follows:
- an hour holds the records that *ended* in it, whole, as the summaries of roll-ups do: so it is the same table whether it
  is made of flows or of roll-ups;
- hosts with less than a five hundredth of an hour's octets are not named. All of them that one host can have lost by it is
  less than that part of any hours together;
- what a roll-up folded is in the total, and `error` says how much of it one host can have had.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.buffers import address_column, numbers
from flowdiag.durations import HOUR_MS

# Of an hour's octets on a link and direction, from which on a host is named.
NAMED_PART: Final = 500


class Talkers(Struct, frozen=True, eq=False):
    """Rows in order of hour and series (link * 2 + direction); octets with the link's framing.

    One row for each hour (since 1970 UTC) and series that carried anything: hour, series, total (of all hosts), error (the
    most that any one host may have beside what is said of it). One for each host that is named in it: host_hour,
    host_series, host (its number in addresses), octets.
    """

    hour: NDArray[np.int64]
    series: NDArray[np.uint8]
    total: NDArray[np.uint64]
    error: NDArray[np.uint64]
    host_hour: NDArray[np.int64]
    host_series: NDArray[np.uint8]
    host: NDArray[np.int64]
    octets: NDArray[np.uint64]
    addresses: pa.Array

    def between(self, first: int, stop: int) -> Talkers:
        """Those of the hours [first, stop)."""
        own, hosts = (
            slice(*np.searchsorted(hours, (first, stop)).tolist()) for hours in (self.hour, self.host_hour)
        )
        return self.part(own, hosts)

    def part(self, own: slice, hosts: slice) -> Talkers:
        """Some of the hours' rows and of the hosts' rows."""
        return replace(
            self,
            **{name: getattr(self, name)[own] for name in OF_HOURS},
            **{name: getattr(self, name)[hosts] for name in OF_HOSTS},
        )


OF_HOURS: Final = ("hour", "series", "total", "error")
OF_HOSTS: Final = ("host_hour", "host_series", "host", "octets")
DTYPES: Final[dict[str, Any]] = {
    "hour": np.int64, "series": np.uint8, "total": np.uint64, "error": np.uint64,
    "host_hour": np.int64, "host_series": np.uint8, "host": np.int64, "octets": np.uint64,
}  # fmt: skip
NOBODY: Final = Talkers(
    **{name: np.zeros(0, dtype) for name, dtype in DTYPES.items()}, addresses=address_column([])
)


class Carried(Struct, frozen=True, eq=False):
    """Octets in hours on series, in any order: of hosts (their numbers), or of all of them. Columns of one length.

    error: the most that one host may have had of octets that are said of none.
    """

    hour: NDArray[np.int64]
    series: NDArray[np.int64]
    octets: NDArray[np.float64]
    host: NDArray[np.int64] | None = None
    error: NDArray[np.float64] | None = None


def named(hosts: Carried, whole: Carried, addresses: pa.Array) -> Talkers:
    """Of what hosts carried, and what was carried in all. addresses: by the hosts' numbers."""
    if not len(whole.hour) or hosts.host is None:
        return NOBODY
    first, width = int(whole.hour.min()), int(whole.series.max()) + 1
    cell = (whole.hour - first) * width + whole.series
    cells = int(cell.max()) + 1
    total = np.bincount(cell, whole.octets, cells)
    error = np.zeros(cells) if whole.error is None else np.bincount(cell, whole.error, cells)
    keys, where = np.unique(
        ((hosts.hour - first) * width + hosts.series) * max(len(addresses), 1) + hosts.host,
        return_inverse=True,
    )
    summed = np.bincount(where.ravel(), hosts.octets, len(keys))
    cell_of, host_of = keys // max(len(addresses), 1), keys % max(len(addresses), 1)
    stay = np.flatnonzero((summed * NAMED_PART >= total[cell_of]) & (summed > 0))
    there = np.flatnonzero(total)
    return Talkers(
        hour=first + there // width,
        series=(there % width).astype(np.uint8),
        total=np.rint(total[there]).astype(np.uint64),
        error=np.rint(error[there]).astype(np.uint64),
        host_hour=first + cell_of[stay] // width,
        host_series=(cell_of[stay] % width).astype(np.uint8),
        host=host_of[stay],
        octets=np.rint(summed[stay]).astype(np.uint64),
        addresses=addresses,
    )


def flow_talkers(flows: SiteFlows) -> Talkers:
    """Those of a day's flows."""
    rows = np.flatnonzero(flows.link >= 0)
    distinct, host = np.unique(flows.inside[rows], return_inverse=True)
    carried = Carried(
        flows.end_ms[rows] // HOUR_MS,
        flows.link[rows].astype(np.int64) * 2 + flows.direction[rows],
        flows.wire_octets[rows],
        host.ravel().astype(np.int64),
    )
    return named(carried, carried, address_column([flows.addresses[one] for one in distinct.tolist()]))


def stacked(parts: Sequence[Talkers]) -> Talkers:
    """The rows of the parts one behind the other, as they are, with one list of addresses. There has to be a part."""
    pool, places = _pool([part.addresses for part in parts])
    columns: dict[str, NDArray[Any]] = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in (*OF_HOURS, *OF_HOSTS)
        if name != "host"
    }
    columns["host"] = np.concatenate(
        [part.host if place is None else place[part.host] for part, place in zip(parts, places, strict=True)]
    )
    return Talkers(**columns, addresses=pool)


def joined(parts: Sequence[Talkers]) -> Talkers:
    """All of them in one, whatever their order; what several say of an hour is added up."""
    parts = sorted((part for part in parts if len(part.hour)), key=lambda part: int(part.hour[0]))
    if not parts:
        return NOBODY
    whole = stacked(parts)
    apart = all(int(one.hour[-1]) < int(later.hour[0]) for one, later in zip(parts, parts[1:], strict=False))
    return whole if apart else _in_order(whole)


def _pool(pools: Sequence[pa.Array]) -> tuple[pa.Array, list[NDArray[np.int64] | None]]:
    """All addresses, each once, and where those of each pool stand in them; None: where they stood."""
    if all(pool is pools[0] for pool in pools):
        return pools[0], [None] * len(pools)
    distinct = list({id(pool): pool for pool in pools}.values())
    encoded = pa.concat_arrays(distinct).dictionary_encode()
    places = numbers(encoded.indices).astype(np.int64)
    begins = np.cumsum([0, *map(len, distinct)])
    of_pool = {
        id(pool): places[begin : begin + len(pool)]
        for pool, begin in zip(distinct, begins.tolist(), strict=False)
    }
    return encoded.dictionary, [of_pool[id(pool)] for pool in pools]


def _in_order(talkers: Talkers) -> Talkers:
    """Equal hours of several parts are one: only around midnight, and by clocks that were moved."""
    hours = np.lexsort((talkers.series, talkers.hour))
    begins = _runs(talkers.hour[hours], talkers.series[hours])
    names = talkers.addresses.to_pylist()
    ranks = np.argsort(np.array(sorted(range(len(names)), key=names.__getitem__), np.int64))
    hosts = np.lexsort((ranks[talkers.host], talkers.host_series, talkers.host_hour))
    of_hosts = _runs(talkers.host_hour[hosts], talkers.host_series[hosts], talkers.host[hosts])

    def sums(values: NDArray[np.uint64], order: NDArray[np.intp], at: NDArray[np.intp]) -> NDArray[np.uint64]:
        summed: NDArray[np.uint64] = np.add.reduceat(values[order], at) if len(at) else values[order]
        return summed

    return Talkers(
        hour=talkers.hour[hours[begins]],
        series=talkers.series[hours[begins]],
        total=sums(talkers.total, hours, begins),
        error=sums(talkers.error, hours, begins),
        host_hour=talkers.host_hour[hosts[of_hosts]],
        host_series=talkers.host_series[hosts[of_hosts]],
        host=talkers.host[hosts[of_hosts]],
        octets=sums(talkers.octets, hosts, of_hosts),
        addresses=talkers.addresses,
    )


def _runs(*columns: NDArray[Any]) -> NDArray[np.intp]:
    """Where runs of equal rows begin."""
    changed = np.zeros(len(columns[0]), np.bool_)
    changed[:1] = True
    for values in columns:
        changed[1:] |= values[1:] != values[:-1]
    return np.flatnonzero(changed)


def told(talkers: Talkers) -> list[tuple[int, int, bytes, int]]:
    """Hour, series, address and octets of each host that is named."""
    names = talkers.addresses.to_pylist()
    return [
        (hour, series, names[host], octets)
        for hour, series, host, octets in zip(
            *(getattr(talkers, name).tolist() for name in OF_HOSTS), strict=True
        )
    ]
