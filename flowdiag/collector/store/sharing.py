"""What a pass over an export learned, shared out over the partitions it is about, so that it adds up again.

Facts the design follows:
- a question about one exporter and some days reads the files of these alone; what these say has to be theirs;
- losses and signs of life have times and go where they belong. Messages go where signs of life are, by their number;
  what has no time goes to the first day. A domain's protocol, timeouts and clock are repeated for every day of it;
- what is about the export as a whole (problems, notes) goes to the file with the most rows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from itertools import pairwise

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.collector.clocks import TOLERATED_MS
from flowdiag.collector.report import ExportReport, SessionReport
from flowdiag.collector.store.layout import LAST_DAY, MAX_PARTITIONS, NO_DAY, Partition
from flowdiag.durations import DAY_MS, MINUTE_MS


def clock_offsets(report: ExportReport) -> dict[tuple[bytes, int], int]:
    """How far the clock of each exporter and domain is off, where it is by more than is tolerated, in ms."""
    return {
        (session.exporter, session.domain): session.clock_offset_ms
        for session in report.sessions
        if session.clock_offset_ms is not None and abs(session.clock_offset_ms) > TOLERATED_MS
    }


def offset_of(offsets: Mapping[tuple[bytes, int], int], exporter: bytes) -> int:
    """How far the clock of an exporter is off, of several domains' the first; offsets: as clock_offsets() gives them."""
    return next((offset for (source, _), offset in sorted(offsets.items()) if source == exporter), 0)


def share(report: ExportReport, rows: Mapping[Partition, int]) -> dict[Partition, ExportReport]:
    """The report of each partition. rows: those of the partitions that have files already; others are added for
    losses and signs of life of days without flows."""
    offsets = clock_offsets(report)
    shares = _Shares(rows)
    heard = _heard(report, offsets, shares)
    lost: dict[tuple[bytes, int], dict[int, _Lost]] = defaultdict(lambda: defaultdict(_Lost))
    for loss in report.losses:
        time_ms = loss.time_ms + offsets.get((loss.exporter, loss.domain), 0)
        day = shares.day(loss.exporter, time_ms)
        shares[loss.exporter, day].losses.append(loss)
        lost[loss.exporter, loss.domain][day].messages += loss.messages
        lost[loss.exporter, loss.domain][day].records += loss.records
    for session in report.sessions:
        if session.messages or session.records:
            of_session = lost[session.exporter, session.domain]
            days = sorted({*heard[session.exporter], *of_session}) or _days(rows, session.exporter)
            parts = _session_by_day(session, days, heard[session.exporter], of_session)
            for day, part in zip(days, parts, strict=True):
                shares[session.exporter, day].sessions.append(part)
    reports = shares.parts
    for partition, own in reports.items():
        names = report.interfaces.items()
        own.interfaces = {key: name for key, name in sorted(names) if name.exporter == partition.exporter}
    if reports:
        main = reports[max(sorted(reports), key=lambda partition: rows.get(partition, -1))]
        main.problems, main.notes = list(report.problems), list(report.notes)
        main.impossible_times = report.impossible_times
    return dict(sorted(reports.items()))


class _Shares:
    """The parts by partition, as many as a store takes of one export."""

    def __init__(self, rows: Iterable[Partition]) -> None:
        self.parts = {partition: ExportReport() for partition in rows}

    def __getitem__(self, key: tuple[bytes, int]) -> ExportReport:
        return self.parts.setdefault(Partition(*key), ExportReport())

    def day(self, exporter: bytes, time_ms: int) -> int:
        """The day of a time, by the capture's clock; NO_DAY where that would be a partition too many."""
        day = time_ms // DAY_MS
        known = Partition(exporter, day) in self.parts or len(self.parts) < MAX_PARTITIONS
        return day if known and 0 <= day <= LAST_DAY else NO_DAY


def _heard(
    report: ExportReport, offsets: dict[tuple[bytes, int], int], shares: _Shares
) -> dict[bytes, dict[int, int]]:
    """Puts the signs of life into the shares. Gives the number of minutes with one by exporter and day."""
    counts: dict[bytes, dict[int, int]] = defaultdict(dict)
    for exporter, minutes in report.heard_minutes.items():
        shift = offset_of(offsets, exporter)
        for minute in sorted(minutes):
            day = shares.day(exporter, minute * MINUTE_MS + shift)
            counts[exporter][day] = counts[exporter].get(day, 0) + 1
            shares[exporter, day].heard_minutes.setdefault(exporter, set()).add(minute)
    return counts


def _days(rows: Mapping[Partition, int], exporter: bytes) -> list[int]:
    return sorted(partition.day for partition in rows if partition.exporter == exporter) or [NO_DAY]


class _Lost(Struct):
    """What the loss events of a domain and day add up to, less what sessions have taken of it."""

    messages: int = 0
    records: int = 0

    def take(self, messages: int, records: int) -> tuple[int, int]:
        taken = min(messages, self.messages), min(records, self.records)
        self.messages -= taken[0]
        self.records -= taken[1]
        return taken


def _session_by_day(
    session: SessionReport, days: list[int], heard: Mapping[int, int], lost: Mapping[int, _Lost]
) -> list[SessionReport]:
    """A session's part in each day; they add up to it."""
    weights = [heard.get(day, 0) for day in days]
    messages = shared_out(session.messages, weights)
    options = shared_out(session.option_records, weights)
    none = replace(session, templates={}, duplicates=0, restarts=0, undecoded_sets=0, undecoded_records=0)
    parts = []
    lost_messages, lost_records = session.lost_messages, session.lost_records
    for index, day in enumerate(days):
        taken = lost[day].take(lost_messages, lost_records) if day in lost else (0, 0)
        lost_messages -= taken[0]
        lost_records -= taken[1]
        parts.append(
            replace(
                none,
                messages=messages[index],
                option_records=options[index],
                lost_messages=taken[0],
                lost_records=taken[1],
            )
        )
    first = parts[0]
    first.duplicates, first.restarts = session.duplicates, session.restarts
    first.undecoded_sets, first.undecoded_records = session.undecoded_sets, session.undecoded_records
    first.lost_messages += lost_messages
    first.lost_records += lost_records
    return parts


def shared_out(total: int, weights: list[int]) -> list[int]:
    """Whole numbers in proportion to weights that add up to a total."""
    whole = max(sum(weights), 1)
    sums = [0]
    for weight in weights:
        sums.append(sums[-1] + weight)
    edges = [total * so_far // whole for so_far in sums]
    edges[-1] = total
    return [end - begin for begin, end in pairwise(edges)]
