"""What is counted by exporter, by its address as text: whose data came, what of it was lost, and when."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from operator import add

from flowdiag.addresses import to_text
from flowdiag.collector.report import ExportReport

Counts = dict[str, tuple[int, ...]]


def by_exporter(reports: Iterable[ExportReport], *, added: bool) -> Counts:
    """Records, messages lost and records lost. added: whether the records are new to the store, or they count as none."""
    counts: Counts = {}
    for report in reports:
        for one in report.sessions:
            its = (one.records if added else 0, one.lost_messages, one.lost_records)
            name = to_text(one.exporter)
            counts[name] = tuple(map(add, counts.get(name, (0, 0, 0)), its))
    return counts


def summed(mine: Mapping[str, tuple[int, ...]], its: Mapping[str, tuple[int, ...]]) -> Counts:
    """Both, added up count by count."""
    both = {name: tuple(map(add, mine[name], its[name])) for name in mine.keys() & its.keys()}
    return {**mine, **its, **both}


def latest(mine: Mapping[str, int], its: Mapping[str, int]) -> dict[str, int]:
    """Times: of each exporter the later one."""
    both = {name: max(mine[name], its[name]) for name in mine.keys() & its.keys()}
    return {**mine, **its, **both}
