"""By which factor sampled counters are multiplied, and where each rate applies.

Facts the design follows:
- the nearest rate counts: in the record; of the record's selector or sampler, or its selection sequence; of
  its interface; of its domain; of the whole session, sent in domain 0; in the header (v5)
  (RFC 7011 3.4.2.1, RFC 5476 6.5.2);
- 34 and 50 are "1 packet in N" (RFC 3954 8); 305 is N packets in a row and 306 the packets then skipped
  (RFC 5477 8.2.2); 309 of 310; probability 311; selector algorithms 5 to 8 are filters, no samples;
- 305 without 306 is sent by some exporters and means either: it is noted and nothing is scaled;
- 318 and 319 give what a selection attained; what is configured counts before it;
- sampler and selector ids have different widths in different messages and compare as integers (RFC 5477).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.columns import Columns, Integers

Factors = NDArray[np.float64]

# A rate beyond this is no sampling but damage: 1 in 16 million leaves nothing to measure on any link.
MAX_FACTOR: Final = float(1 << 24)

_EGRESS: Final = 1


class Sampling(Struct, frozen=True):
    """The rates that one observation domain has announced. A factor of 1 is "not sampled", which overrides farther ones.

    sequences: the selectors that a selection sequence passes in order; their factors multiply.
    attained: factor of a selection sequence as counted by the exporter.
    """

    domain: float | None = None
    selectors: Mapping[int, float] = field(default_factory=dict)
    interfaces: Mapping[int, float] = field(default_factory=dict)
    sequences: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    attained: Mapping[int, float] = field(default_factory=dict)

    def with_domain(self, factor: float) -> Sampling:
        return self if self.domain == factor else replace(self, domain=factor)

    def with_selector(self, number: int, factor: float) -> Sampling:
        if self.selectors.get(number) == factor:
            return self
        return replace(self, selectors={**self.selectors, number: factor})

    def with_interface(self, index: int, factor: float) -> Sampling:
        if self.interfaces.get(index) == factor:
            return self
        return replace(self, interfaces={**self.interfaces, index: factor})

    def with_sequence(self, number: int, selectors: tuple[int, ...]) -> Sampling:
        if self.sequences.get(number) == selectors:
            return self
        return replace(self, sequences={**self.sequences, number: selectors})

    def with_attained(self, number: int, factor: float) -> Sampling:
        if self.attained.get(number) == factor:
            return self
        return replace(self, attained={**self.attained, number: factor})

    @property
    def size(self) -> int:
        return len(self.selectors) + len(self.interfaces) + len(self.sequences) + len(self.attained)

    @property
    def only_selector(self) -> float | None:
        """The factor of the only selector, for exporters whose records do not name it (common practice)."""
        return next(iter(self.selectors.values())) if len(self.selectors) == 1 else None

    def changes(self, later: Sampling) -> bool:
        """Whether a later table gives another rate where this one already gave one."""
        for before, after in ((self.domain, later.domain), (self.only_selector, later.only_selector)):
            if before is not None and before != after:
                return True
        pairs = (
            (self.selectors, later.selectors),
            (self.interfaces, later.interfaces),
            (self.sequences, later.sequences),
            (self.attained, later.attained),
        )
        return any(after.get(key) != value for before, after in pairs for key, value in before.items())

    def of_sequence(self, number: int) -> float | None:
        members = self.sequences.get(number)
        if members and all(member in self.selectors for member in members):
            factor = 1.0
            for member in members:
                factor *= self.selectors[member]
            return min(factor, MAX_FACTOR)
        return self.attained.get(number)


def plausible(factor: float) -> float | None:
    """The factor, or None if no sampling gives it."""
    return factor if 1 <= factor <= MAX_FACTOR else None


def sampling_factors(columns: Columns, table: Sampling, session: Sampling | None) -> float | Factors:
    """The factor of all records, or of each. session: the rates sent in the session's domain 0, if that is another."""
    nearest: list[Factors] = []
    in_record = _in_record(columns)
    if in_record is not None:
        nearest.append(in_record)
    tables = [table] if session is None else [table, session]
    farthest = 1.0
    for rates in reversed(tables):
        if rates.domain is not None:
            farthest = rates.domain
        elif rates.only_selector is not None and not columns.has(
            ie.SAMPLER_ID, ie.SELECTOR_ID, ie.SELECTION_SEQUENCE_ID
        ):
            farthest = rates.only_selector
    for rates in tables:
        nearest += _by_id(columns, rates)
    for rates in tables:
        if rates.interfaces:
            nearest += _by_interface(columns, rates)
    if not nearest:
        return farthest
    factors = np.full(columns.count, np.nan)
    for candidate in nearest:
        factors = np.where(np.isnan(factors), candidate, factors)
    return np.where(np.isnan(factors), farthest, factors)


def _in_record(columns: Columns) -> Factors | None:
    """The rate that records carry themselves; NaN where they do not."""
    for number in (ie.SAMPLING_INTERVAL, ie.SAMPLER_RANDOM_INTERVAL):
        interval = columns.integer(number)
        if interval is not None:
            return _checked(interval.astype(np.float64))
    for part, rest, whole in (
        (ie.SAMPLING_PACKET_INTERVAL, ie.SAMPLING_PACKET_SPACE, False),
        (ie.SAMPLING_SIZE, ie.SAMPLING_POPULATION, True),
    ):
        taken, other = columns.integer(part), columns.integer(rest)
        if taken is not None and other is not None:
            share = taken.astype(np.float64)
            total = other + (0 if whole else share)
            return _checked(np.divide(total, share, out=np.zeros(len(share)), where=share > 0))
    return None


def _checked(factors: Factors) -> Factors:
    return np.where((factors >= 1) & (factors <= MAX_FACTOR), factors, np.nan)


def _by_id(columns: Columns, rates: Sampling) -> list[Factors]:
    found = []
    sequences = columns.integer(ie.SELECTION_SEQUENCE_ID)
    if sequences is not None and (rates.sequences or rates.attained):
        numbers = {*rates.sequences, *rates.attained}
        table = {number: factor for number in numbers if (factor := rates.of_sequence(number)) is not None}
        found.append(_looked_up(sequences, table))
    if rates.selectors:
        ids = [columns.integer(number) for number in (ie.SELECTOR_ID, ie.SAMPLER_ID)]
        found += [_looked_up(values, rates.selectors) for values in ids if values is not None]
    return found


def _by_interface(columns: Columns, rates: Sampling) -> list[Factors]:
    ingress = columns.integer(ie.INGRESS_INTERFACE)
    egress = columns.integer(ie.EGRESS_INTERFACE)
    direction = columns.integer(ie.FLOW_DIRECTION)
    if ingress is not None and egress is not None and direction is not None:
        return [_looked_up(np.where(direction == _EGRESS, egress, ingress), rates.interfaces)]
    metered = ingress if ingress is not None else egress
    return [] if metered is None else [_looked_up(metered, rates.interfaces)]


def _looked_up(ids: Integers, table: Mapping[int, float]) -> Factors:
    """The factor of each id; NaN where the table has none."""
    distinct, inverse = np.unique(ids, return_inverse=True)
    factors = np.array([table.get(int(number), np.nan) for number in distinct], np.float64)
    return factors[inverse.reshape(-1)] if len(factors) else np.empty(0)
