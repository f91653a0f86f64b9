"""Flow records as numpy columns, addresses and names as numbers: what the aggregator works on before it knows
which record counts on which link.

Facts the design follows: a batch has many records but few distinct addresses, exporters and names; Arrow finds
the distinct ones, and only those are touched in Python.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import pyarrow as pa
from msgspec import Struct
from msgspec.structs import asdict
from numpy.typing import NDArray

from flowdiag.address_ranges import OCTETS_16, AddressRanges
from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.aggregator.address_numbers import UNKNOWN, AddressNumbers, words
from flowdiag.buffers import column, fill_null, nulls, numbers
from flowdiag.flows import MESSAGES_KEY
from flowdiag.site.profile import MAX_IFINDEX

MAX_NAMES: Final = 4_096  # of applications; exporters that recognise some know a few thousand
MAX_SOURCES: Final = 16_384  # pairs of exporter and observation domain; a site has a handful

# Messages are told apart from those around them only, in few octets a record.
NO_MESSAGE: Final = 0
MESSAGE_NUMBERS: Final = 65_535

INGRESS_METERED: Final = 0
EGRESS_METERED: Final = 1
NOT_SAID: Final = 2


LinkOf = Callable[[NDArray[np.int64]], NDArray[np.int8]]


class Records(Struct, frozen=True, eq=False):
    """Columns of one length. Unknown is -1 where nothing else is said.

    start_ms, end_ms: int64, by the exporter's clock; octets, packets: float64, scaled for sampling.
    src, dst: int32, numbers of `AddressNumbers`; src_port, dst_port: int32; protocol: int16.
    tcp_flags: int32; dscp: int8; end_reason: uint8, 0 unknown; sampling: float32.
    metered: int8, INGRESS_METERED, EGRESS_METERED or NOT_SAID (element 61).
    application: int32, number of the exporter's own name in `Interner.names`; source: int16, number of the
    exporter and observation domain in `Interner.sources`; ingress, egress: int32 ifIndex, at most MAX_IFINDEX, and
    the links that they belong to: link_in, link_out: int8.
    message: uint16, number of the export message that the record came in, see `Interner.number_messages`.
    """

    start_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]
    octets: NDArray[np.float64]
    packets: NDArray[np.float64]
    src: NDArray[np.int32]
    dst: NDArray[np.int32]
    src_port: NDArray[np.int32]
    dst_port: NDArray[np.int32]
    protocol: NDArray[np.int16]
    tcp_flags: NDArray[np.int32]
    dscp: NDArray[np.int8]
    metered: NDArray[np.int8]
    application: NDArray[np.int32]
    end_reason: NDArray[np.uint8]
    sampling: NDArray[np.float32]
    ingress: NDArray[np.int32]
    egress: NDArray[np.int32]
    source: NDArray[np.int16]
    link_in: NDArray[np.int8]
    link_out: NDArray[np.int8]
    message: NDArray[np.uint16]

    def __len__(self) -> int:
        return len(self.start_ms)

    def at(self, rows: slice | NDArray[np.intp]) -> Records:
        """Some of the records; of a slice without a copy."""
        return Records(**{name: column[rows] for name, column in asdict(self).items()})


class LeftOut(Struct):
    """Records that cannot be used, by why."""

    without_times: int = 0
    not_ip: int = 0


class Interner:
    """Numbers for addresses, application names and sources, the same through all batches of an export.

    inside: networks of the site, for inside_by_number.
    """

    def __init__(self, inside: AddressRanges) -> None:
        self._inside = inside
        self.addresses = AddressNumbers()
        self._inside_parts: list[NDArray[np.bool_]] = []
        self._known_inside = 0
        self.names: list[str] = []
        self._name_numbers: dict[str, int] = {}
        self.sources: list[tuple[bytes, int]] = []
        self._source_numbers: dict[tuple[bytes, int], int] = {}
        self._messages = 0

    @property
    def inside_by_number(self) -> NDArray[np.bool_]:
        """Whether each address lies inside the site. Shape [addresses]."""
        if self._known_inside < len(self.addresses):
            new = self.addresses.all()[self._known_inside :]
            self._inside_parts.append(self._inside.contains(new))
            self._known_inside = len(self.addresses)
            self._inside_parts = [np.concatenate(self._inside_parts)]
        return self._inside_parts[0] if self._inside_parts else np.zeros(0, np.bool_)

    def number_names(self, column: pa.DictionaryArray) -> NDArray[np.int32]:
        """The number of each record's application name, -1 for none."""
        if column.null_count == len(column):
            return np.full(len(column), -1, np.int32)
        known = np.array([self._name_number(name) for name in column.dictionary.to_pylist()] + [-1], np.int32)
        named: NDArray[np.int32] = known[fill_null(column.indices, len(known) - 1)]
        return named

    def _name_number(self, name: str | None) -> int:
        if name is None:
            return -1
        number = self._name_numbers.get(name, -1)
        if number < 0 and len(self.names) < MAX_NAMES:
            number = self._name_numbers[name] = len(self.names)
            self.names.append(name)
        return number

    def number_sources(self, exporters: pa.Array, domains: NDArray[np.uint32]) -> NDArray[np.int16]:
        """The number of each record's exporter and observation domain."""
        octets = words(exporters)
        if len(domains) and bool((domains == domains[0]).all() and (octets == octets[0]).all()):
            return np.full(len(domains), self._source_number(octets[0].tobytes(), int(domains[0])), np.int16)
        encoded = exporters.fill_null(UNKNOWN).dictionary_encode()
        distinct = _octets_16(encoded.dictionary)
        key = numbers(encoded.indices).astype(np.int64) << 32 | domains
        pairs, where = np.unique(key, return_inverse=True)
        given = [self._source_number(distinct[pair >> 32], pair & 0xFFFFFFFF) for pair in pairs.tolist()]
        return np.array(given, np.int16)[where]

    def number_messages(
        self, batch: pa.RecordBatch, kept: NDArray[np.bool_], source: NDArray[np.int16]
    ) -> NDArray[np.uint16]:
        """The number of the export message that each kept record of a batch came in, from 1 on, and after MESSAGE_NUMBERS
        from 1 again. Messages that follow each other directly and are of one source have numbers that do. NO_MESSAGE:
        it is not told (records of a store). source: of the kept records."""
        encoded = (batch.schema.metadata or {}).get(MESSAGES_KEY)
        if encoded is None or not len(source):
            return np.full(len(source), NO_MESSAGE, np.uint16)
        begins = np.frombuffer(encoded, np.int32)
        if len(source) < len(kept):
            begins = np.concatenate([[0], np.cumsum(kept)])[begins]
        sources = source[np.minimum(begins, len(source) - 1)]
        apart = np.ones(len(begins), np.int64)
        apart[1:] += sources[1:] != sources[:-1]
        numbered = np.cumsum(apart) + self._messages
        self._messages = int(numbered[-1])
        short = (numbered % MESSAGE_NUMBERS + 1).astype(np.uint16)
        return np.repeat(short, np.diff(begins, append=len(source)))

    def _source_number(self, exporter: bytes, domain: int) -> int:
        key = (exporter, domain)
        number = self._source_numbers.get(key)
        if number is None:
            if len(self.sources) == MAX_SOURCES:
                return MAX_SOURCES - 1
            number = self._source_numbers[key] = len(self.sources)
            self.sources.append(key)
        return number


def to_records(
    batch: pa.RecordBatch,
    interner: Interner,
    link_of: LinkOf,
    left_out: LeftOut,
    exporters: frozenset[bytes] | None = None,
) -> Records:
    """The usable records of a batch of FLOW_SCHEMA; what is not used is counted in left_out.

    link_of: from interface numbers to the links they belong to.
    exporters: only these, and those whose container does not name the exporter; None for all.
    """
    kept = usable(batch, left_out, exporters)
    if not kept.all():
        batch = batch.filter(column(kept))
    source = interner.number_sources(batch["exporter"], fill_null(batch["domain"], 0, np.uint32))
    start, end = times(batch)
    src, dst = interner.addresses.of(batch["src_address"], batch["dst_address"])
    ingress, egress = (
        fill_null(batch[name], -1, np.int64) for name in ("ingress_interface", "egress_interface")
    )
    return Records(
        start_ms=start,
        end_ms=end,
        octets=fill_null(batch["octets"], 0, np.float64),
        packets=fill_null(batch["packets"], 0, np.float64),
        src=src,
        dst=dst,
        src_port=fill_null(batch["src_port"], -1, np.int32),
        dst_port=fill_null(batch["dst_port"], -1, np.int32),
        protocol=fill_null(batch["protocol"], -1, np.int16),
        tcp_flags=fill_null(batch["tcp_flags"], -1, np.int32),
        dscp=fill_null(batch["dscp"], -1, np.int8),
        metered=_metered(batch["direction"]),
        application=interner.number_names(batch["application"]),
        end_reason=fill_null(batch["end_reason"], 0, np.uint8),
        sampling=fill_null(batch["sampling"], 1, np.float32),
        ingress=np.minimum(ingress, MAX_IFINDEX).astype(np.int32),
        egress=np.minimum(egress, MAX_IFINDEX).astype(np.int32),
        link_in=link_of(ingress),
        link_out=link_of(egress),
        source=source,
        message=interner.number_messages(batch, kept, source),
    )


def usable(
    batch: pa.RecordBatch, left_out: LeftOut, exporters: frozenset[bytes] | None = None
) -> NDArray[np.bool_]:
    """Which records can be used: all but those of other exporters, without octets and addresses (no IP), and without any time."""
    kept = np.ones(batch.num_rows, np.bool_)
    if exporters is not None:
        encoded = batch["exporter"].fill_null(UNKNOWN).dictionary_encode()
        wanted = [
            exporter in exporters or exporter == UNKNOWN_ADDRESS
            for exporter in _octets_16(encoded.dictionary)
        ]
        if not all(wanted):
            kept = np.array(wanted, np.bool_)[numbers(encoded.indices)]
    if batch["src_address"].null_count and batch["dst_address"].null_count:
        no_ip = nulls(batch["src_address"]) & nulls(batch["dst_address"])
        no_ip &= fill_null(batch["octets"], 0, np.float64) == 0
        left_out.not_ip += int((kept & no_ip).sum())
        kept &= ~no_ip
    if batch["start"].null_count and batch["end"].null_count:
        timeless = nulls(batch["start"]) & nulls(batch["end"])
        left_out.without_times += int((kept & timeless).sum())
        kept &= ~timeless
    return kept


def times(batch: pa.RecordBatch) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Start and end; where one is unknown the other stands for it."""
    start, end = (fill_null(batch[name], -1, stored=np.int64) for name in ("start", "end"))
    if batch["start"].null_count:
        start = np.where(nulls(batch["start"]), end, start)
    if batch["end"].null_count:
        end = np.where(nulls(batch["end"]), start, end)
    return start, np.maximum(start, end)


def _metered(direction: pa.Array) -> NDArray[np.int8]:
    metered = fill_null(direction, NOT_SAID, np.int16)
    return np.where((metered == INGRESS_METERED) | (metered == EGRESS_METERED), metered, NOT_SAID).astype(
        np.int8
    )


def _octets_16(array: pa.Array) -> list[bytes]:
    """The values of a column of 16 octets without nulls."""
    data = array.buffers()[1]
    if data is None or not len(array):
        return []
    values: list[bytes] = np.frombuffer(data, "V16", len(array), array.offset * OCTETS_16.itemsize).tolist()
    return values
