"""What of a store a look at a site needs: its newest files, and a case of the flows of a while before they end.

Facts the design follows:
- a file of a store is never used again for other content: what was read of it once holds as long as it is listed, and a site
  whose files are the same is as it was;
- a file tells when its exporter was heard on all of its day; a look takes that of the time of which it reads the flows, since
  in any other it would see a living exporter and no traffic.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from typing import Final

from msgspec import Struct

from flowdiag.aggregator.build import build_case_data
from flowdiag.aggregator.plan_rates import require_plan_rates
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import StoredFile, find_files
from flowdiag.collector.store.layout import NO_DAY
from flowdiag.collector.store.sharing import clock_offsets, offset_of
from flowdiag.collector.store.statistics import TimesOfGroup, times_of
from flowdiag.diagnoser.case import Case
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.site.profile import Profile
from flowdiag.watch.recent_flows import recent_flows

# Flows that end within a day are asked about; those before may have begun in it, and tell how the exporter reports.
REACH_MS: Final = DAY_MS + HOUR_MS
# Read before the time that is looked at: records that began earlier reach alone into what is read, which looks as if nothing else
# had been carried; and what is usual at the site is told by what was before.
BESIDE_MS: Final = HOUR_MS
# Records of one look: half a second, and 150 MB. Of a site with more, a shorter time is looked at.
MOST_ROWS: Final = 450_000
SHORTEST_MS: Final = 15 * MINUTE_MS
# Clocks of exporters differ; what is later than this is not from now.
AHEAD_MS: Final = 5 * MINUTE_MS
# Sites whose files' times are known; of each those of its last day alone.
_KEPT_SITES: Final = 5_000
_Times = dict[str, tuple[TimesOfGroup, ...]]  # by file
_known_times: dict[tuple[str, frozenset[bytes] | None], _Times] = {}


class Recent(Struct, frozen=True):
    """A site's files of the last day, of one state of the store. times: of their row groups; digest: the same for the same files;
    newest_ms: latest end of a flow, of earlier days where there is none in these; None where the store has none; first_ms:
    earliest begin in these."""

    files: tuple[StoredFile, ...]
    times: tuple[tuple[TimesOfGroup, ...], ...]
    digest: str
    newest_ms: int | None
    first_ms: int | None


def recent(backend: StorageBackend, profile: Profile, now_ms: int) -> Recent:
    """While backend.reading() is held. Raises StoreError."""
    exporters = profile.site.exporter_octets
    files = find_files(backend, exporters, (now_ms - REACH_MS, None))
    times = _times(backend, exporters, files)
    newest = _newest(times, now_ms)
    if newest is None:
        earlier = [file for file in find_files(backend, exporters) if file.partition.day != NO_DAY]
        last = max((file.partition.day for file in earlier), default=None)
        of_last = [tuple(times_of(backend, file)) for file in earlier if file.partition.day == last]
        newest = _newest(of_last, now_ms)
    digest = hashlib.sha256(repr(profile).encode())
    for file in files:
        digest.update(f"{file.target}\n".encode())
    begins = [first for groups in times for first, _, _ in groups if first is not None]
    return Recent(tuple(files), tuple(times), digest.hexdigest(), newest, min(begins, default=None))


def known_from(backend: StorageBackend, profile: Profile, found: Recent, wanted_ms: int) -> int:
    """Where a time that begins at wanted_ms has to begin: not before the first flow that the store has of the site, of which
    nobody can say that it was silent then."""
    if found.first_ms is None or found.first_ms <= wanted_ms or _has_earlier(backend, profile, found):
        return wanted_ms
    return found.first_ms


def _has_earlier(backend: StorageBackend, profile: Profile, found: Recent) -> bool:
    """Whether the store has flows of the site in older files than these."""
    oldest = min((file.partition.day for file in found.files if file.partition.day != NO_DAY), default=None)
    every = find_files(backend, profile.site.exporter_octets)
    return any(oldest is None or NO_DAY != file.partition.day < oldest for file in every)


def _newest(times: Iterable[tuple[TimesOfGroup, ...]], now_ms: int) -> int | None:
    ends = [last for groups in times for _, last, _ in groups if last is not None]
    return max((min(last, now_ms) for last in ends if last <= now_ms + AHEAD_MS), default=None)


def _times(
    backend: StorageBackend, exporters: frozenset[bytes] | None, files: Sequence[StoredFile]
) -> list[tuple[TimesOfGroup, ...]]:
    """Of each file: those that were there at the last look are not opened again."""
    key = backend.name, exporters
    before = _known_times.get(key, {})
    known: _Times = {}
    for file in files:
        groups = before.get(file.target)
        known[file.target] = tuple(times_of(backend, file)) if groups is None else groups
    if len(_known_times) >= _KEPT_SITES and key not in _known_times:
        _known_times.clear()
    _known_times[key] = known
    return [known[file.target] for file in files]


def read_case(
    backend: StorageBackend, profile: Profile, found: Recent, begin_ms: int, now_ms: int
) -> Case | None:
    """The case of the time from begin_ms until the records end, with what was before; None where there are no flows. While
    backend.reading() is held. Raises StoreError, ProfileError."""
    beside_ms = begin_ms - BESIDE_MS
    batch, report = recent_flows(backend, profile.site.exporter_octets, found.files, beside_ms)
    if batch.num_rows:
        StoredFlows(report).add_rows(batch)  # what was lost is told as a part of these
    cut_heard(report, beside_ms, now_ms)
    flows, usage, coverage = build_case_data([batch], report, profile)
    if not len(flows):
        return None
    require_plan_rates(profile, usage)
    last_ms = coverage.last_ms or begin_ms
    heard = coverage.heard.nonzero()[0]
    if len(heard):
        last_ms = max(last_ms, usage.start_ms + (int(heard[-1]) + 1) * usage.window_ms)
    return Case(
        profile=profile,
        flows=flows,
        usage=usage,
        coverage=coverage,
        window_ms=(begin_ms, max(min(last_ms, now_ms), begin_ms + 1)),
        window_given=True,
    )


def rows_since(found: Recent, begin_ms: int) -> int:
    """About how many records are read for the time from begin_ms on, by the statistics of the files."""
    rows, begin_ms = 0.0, begin_ms - BESIDE_MS
    for groups in found.times:
        for first, last, own in groups:
            if first is None or last is None:
                rows += own
            elif last >= begin_ms:
                rows += own * (last - max(first, begin_ms) + 1) / (last - first + 1)
    return round(rows)


def cut_heard(report: ExportReport, begin_ms: int, end_ms: int) -> None:
    """Leaves the signs of life of [begin_ms, end_ms)."""
    offsets = clock_offsets(report)
    for exporter, minutes in report.heard_minutes.items():
        shift = offset_of(offsets, exporter)
        report.heard_minutes[exporter] = {
            minute for minute in minutes if begin_ms <= minute * MINUTE_MS + shift < end_ms
        }
