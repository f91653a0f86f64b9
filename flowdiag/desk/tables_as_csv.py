"""Tables of the desk as CSV (RFC 4180), with the columns that `usage` and `top` have; formulas neutralised."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Final

from flowdiag.aggregator.figures import DirectionFigures, LinkFigures
from flowdiag.desk.asking.rankings_question import COLUMNS, Row, Table
from flowdiag.durations import Span
from flowdiag.site.clock import LocalTime
from flowdiag.text.escape import csv_cell
from flowdiag.text.wording.desk import closer as wording

_NAMES: Final = ("inside", "outside", "application")
_MEASURES: Final = ("octets", "packets", "flows", "share", "mean_mbps", "first", "last", "bound_octets")
_FIGURES: Final = (
    *("link", "direction", "capacity_mbps", "mean_mbps", "p95_mbps", "peak_mbps"),
    *("octets", "busy_minutes", "full_minutes"),
)
_NAMED: Final = 3  # of them, which say what a line is of


def ranking_csv(table: Table, span_ms: Span, timezone: str) -> str:
    """One line a row, and one of everything else; the span in front."""
    keys = [_NAMES[column] for column in COLUMNS[table.kind]] if table.kind == "conversations" else ["key"]
    clock = LocalTime(timezone)
    begin, end = (_iso(clock, ms) for ms in span_ms)
    rest: list[str | int] = [
        csv_cell(wording.EVERYTHING_ELSE),
        *[""] * len(keys),
        *table.rest,
        f"{table.rest_share:.6f}",
    ]
    rows: list[list[str | int]] = [[begin, end, *_cells(row, clock)] for row in table.rows]
    return _written([["from", "to", *keys, "label", *_MEASURES], *rows, [begin, end, *rest, "", "", "", ""]])


def _cells(row: Row, clock: LocalTime) -> list[str | int]:
    return [
        *map(csv_cell, row.keys),
        csv_cell(row.label or ""),
        row.octets,
        row.packets,
        row.flows,
        f"{row.share:.6f}",
        f"{row.mean_mbps:.6f}",
        _iso(clock, row.first_ms),
        _iso(clock, row.last_ms),
        row.bound_octets,
    ]


def figures_csv(figures: Sequence[LinkFigures], direction: str | None, *, known: bool) -> str:
    """One line a link and direction. direction: the only one wanted; known: whether the time has records, without which there
    are no figures."""
    rows: list[list[str | int]] = [
        [
            csv_cell(link.name),
            name,
            f"{one.capacity_mbps:g}",
            *(_measured(one) if known else [""] * (len(_FIGURES) - _NAMED)),
        ]
        for link in figures
        for name, one in (("down", link.down), ("up", link.up))
        if direction in (None, name)
    ]
    return _written([[*_FIGURES], *rows])


def _measured(one: DirectionFigures) -> list[str | int]:
    return [
        f"{one.mean_mbps:.6f}",
        f"{one.p95_mbps:.6f}",
        f"{one.peak_mbps:.6f}",
        one.octets,
        f"{one.busy_minutes:g}",
        f"{one.full_minutes:g}",
    ]


def _iso(clock: LocalTime, ms: int) -> str:
    return clock.local(ms).isoformat(timespec="milliseconds" if ms % 1000 else "seconds")


def _written(rows: Iterable[Sequence[str | int]]) -> str:
    file = io.StringIO()
    csv.writer(file, lineterminator="\n").writerows(rows)
    return file.getvalue()
