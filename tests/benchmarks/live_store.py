"""A store as a collector keeps it at one moment: a merged file for each day of a site, and one for each of the last minutes.

The sites are those of a portfolio (flowdiag/scenario/portfolio.py), of all kinds and in five time zones, ten of them behind
each upstream. Their routers cut a flow each minute, and a message comes each minute. Minutes can be added later on. There are no
roll-ups, which a look does not read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
from msgspec import Struct, json
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.addresses import to_bytes
from flowdiag.collector.report import ExportReport, SessionReport
from flowdiag.collector.store.adding import Content, add_written
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.layout import Partition
from flowdiag.collector.store.writer import FlowWriter
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.flows import FLOW_SCHEMA
from flowdiag.scenario.portfolio import SLOT_MS, PortfolioSite, portfolio_site
from flowdiag.scenario.site import profile_toml
from flowdiag.scenario.stored_days import RECORDS_A_HOUR, Unsynced, day_records

NOW: Final = datetime(2026, 3, 3, 2, 30, tzinfo=UTC)  # a Tuesday; working hours in three of five time zones
BEFORE_MS: Final = 26 * HOUR_MS  # that is in the store
FRESH: Final = 60  # minutes that are not merged yet
BEHIND_ONE: Final = 10
FLOWS, SITES, ABOUT = "flows", "sites", "live-store.json"


class LiveStore(Struct, frozen=True):
    """now_ms: up to when the store has records; records_an_hour: of each site, before they are cut at whole minutes."""

    folder: Path
    sites: int
    now_ms: int
    seed: int = 1
    records_an_hour: int = RECORDS_A_HOUR

    @property
    def flows(self) -> str:
        return str(self.folder / FLOWS)

    @property
    def profiles(self) -> Path:
        return self.folder / SITES

    def drawn(self) -> list[PortfolioSite]:
        first = datetime.fromtimestamp((self.now_ms - BEFORE_MS) // DAY_MS * DAY_MS / 1000, UTC)
        return [portfolio_site(number, first, 4, self.seed) for number in range(self.sites)]


def make(folder: Path, sites: int, now: datetime = NOW, *, fresh: int = FRESH) -> LiveStore:
    """Writes the store `flows` and the profiles `sites/*.toml`. fresh: minutes before now that have files of their own."""
    store = LiveStore(folder, sites, int(now.timestamp() * 1000) // MINUTE_MS * MINUTE_MS)
    make_store(Unsynced(store.flows))
    store.profiles.mkdir(parents=True)
    drawn = store.drawn()
    for site in drawn:
        behind = replace(site.site, upstream=f"exchange {site.number // BEHIND_ONE:03d}")
        (store.profiles / f"site-{site.number:05d}.toml").write_text(profile_toml(behind), encoding="utf-8")
    begin_ms = store.now_ms - fresh * MINUTE_MS
    latest = {}
    for site in drawn:
        rows = _rows(store, site, store.now_ms - BEFORE_MS, store.now_ms)
        _add(store, f"history of {site.number}", dict([_of_time(site, rows, 0, begin_ms)]), begin_ms)
        latest[site.number] = _between(rows, begin_ms, store.now_ms)
    for minute_ms in range(begin_ms, store.now_ms, MINUTE_MS):
        _add_minute(store, drawn, latest, minute_ms)
    (folder / ABOUT).write_bytes(json.encode(store, enc_hook=str))
    return store


def opened(folder: Path) -> LiveStore:
    """The store in a folder, wherever that was when it was made."""
    about = json.decode((folder / ABOUT).read_bytes(), type=LiveStore, dec_hook=lambda kind, text: kind(text))
    return replace(about, folder=folder)


def further(store: LiveStore, minutes: int) -> Iterator[LiveStore]:
    """Adds one minute after the other, and gives the store as it is then."""
    drawn = store.drawn()
    until_ms = store.now_ms + minutes * MINUTE_MS
    coming = {site.number: _rows(store, site, store.now_ms, until_ms) for site in drawn}
    for minute_ms in range(store.now_ms, until_ms, MINUTE_MS):
        _add_minute(store, drawn, coming, minute_ms)
        store = replace(store, now_ms=minute_ms + MINUTE_MS)
        (store.folder / ABOUT).write_bytes(json.encode(store, enc_hook=str))
        yield store


def _add_minute(
    store: LiveStore, drawn: list[PortfolioSite], rows: Mapping[int, pa.RecordBatch], minute_ms: int
) -> None:
    """What a collector adds at the end of a minute: one change, with a file for each exporter."""
    parts = dict(_of_time(site, rows[site.number], minute_ms, minute_ms + MINUTE_MS) for site in drawn)
    _add(store, f"minute {minute_ms}", parts, minute_ms)


_Parts = Mapping[int, tuple[bytes, pa.RecordBatch, range]]


def _of_time(
    site: PortfolioSite, rows: pa.RecordBatch, begin_ms: int, end_ms: int
) -> tuple[int, tuple[bytes, pa.RecordBatch, range]]:
    """The rows of a site that end in a time, and its minutes."""
    part = _between(rows, begin_ms, end_ms)
    first_ms = max(begin_ms, end_ms - BEFORE_MS)
    return site.number, (
        to_bytes(site.site.exporter),
        part,
        range(first_ms // MINUTE_MS, end_ms // MINUTE_MS),
    )


def _add(store: LiveStore, name: str, parts: _Parts, began_ms: int) -> None:
    backend = Unsynced(store.flows)
    content = Content(sha256(f"{store.seed} {name}".encode()).hexdigest(), name, 1)
    writer = FlowWriter(backend, content.digest, began_ms)
    reports = {}
    for exporter, rows, minutes in parts.values():
        days = _ends(rows) // DAY_MS
        for day in range(minutes.start * MINUTE_MS // DAY_MS, (minutes.stop * MINUTE_MS - 1) // DAY_MS + 1):
            first, stop = (int(edge) for edge in np.searchsorted(days, [day, day + 1]))
            partition = Partition(exporter, day)
            writer.put(partition, rows.slice(first, stop - first))
            own = {minute for minute in minutes if minute * MINUTE_MS // DAY_MS == day}
            session = SessionReport(exporter, 50_001, 0, "ipfix", messages=len(own), active_timeout_s=60)
            reports[partition] = ExportReport(sessions=[session], heard_minutes={exporter: own})
    add_written(backend, [content], writer.finish(reports))
    writer.done()


def _rows(store: LiveStore, site: PortfolioSite, begin_ms: int, end_ms: int) -> pa.RecordBatch:
    """The records that end in [begin_ms, end_ms), in order of their ends."""
    a_time = HOUR_MS // SLOT_MS
    first = (begin_ms - site.start_ms) // HOUR_MS
    last = (end_ms - 1 - site.start_ms) // HOUR_MS
    parts = []
    for hour in range(first, last + 1):
        rng = np.random.default_rng([store.seed, site.number, hour])
        slots = slice(hour * a_time, (hour + 1) * a_time)
        parts.append(day_records(site, slots, rng, store.records_an_hour))
    rows = _cut(pa.Table.from_batches(parts).combine_chunks().to_batches()[0])
    return _between(rows, begin_ms, end_ms)


def _between(rows: pa.RecordBatch, begin_ms: int, end_ms: int) -> pa.RecordBatch:
    first, stop = (int(edge) for edge in np.searchsorted(_ends(rows), [begin_ms, end_ms]))
    return rows.slice(first, stop - first)


def _ends(rows: pa.RecordBatch) -> NDArray[np.int64]:
    return np.asarray(rows["end"].cast(pa.int64()))


def _cut(rows: pa.RecordBatch) -> pa.RecordBatch:
    """The same traffic with records that end at whole minutes at the latest, in order of their ends."""
    start, end = np.asarray(rows["start"].cast(pa.int64())), _ends(rows)
    count = end // MINUTE_MS - start // MINUTE_MS + 1
    row = np.repeat(np.arange(rows.num_rows), count)
    nth = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    minute = (start // MINUTE_MS)[row] + nth
    begin = np.maximum(start[row], minute * MINUTE_MS)
    stop = np.minimum(end[row], (minute + 1) * MINUTE_MS - 1)
    share = (stop - begin + 1) / (end - start + 1)[row]
    order = np.argsort(stop, kind="stable")
    times = pa.timestamp("ms", tz="UTC")
    new = {"start": pa.array(begin[order]).cast(times), "end": pa.array(stop[order]).cast(times)}
    for name in ("octets", "packets"):
        parts = np.maximum(np.rint(np.asarray(rows[name])[row] * share), 1).astype(np.uint64)
        new[name] = pa.array(parts[order])
    taken = rows.take(pa.array(row[order]))
    return pa.RecordBatch.from_arrays(
        [new.get(field.name, taken[field.name]) for field in FLOW_SCHEMA], schema=FLOW_SCHEMA
    )
