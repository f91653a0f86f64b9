"""`flowdiag usage` as text with a chart, JSON and CSV."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from flowdiag.aggregator.usage_report import STATES, UNKNOWN, LinkUsage, UsageReport
from flowdiag.forms.chart import chart
from flowdiag.note.json_note import whole
from flowdiag.text.csv_table import csv_table
from flowdiag.text.escape import terminal
from flowdiag.text.figures import bare_rate, volume
from flowdiag.text.table_figures import clock, iso, iso_moment, printed
from flowdiag.text.wording import usage as wording
from flowdiag.text.wording.coverage import told
from flowdiag.text.wording.note import DIRECTIONS

SCHEMA: Final = "flowdiag.usage/1"


def as_json(report: UsageReport) -> str:
    zone = ZoneInfo(report.timezone)
    begin, end = report.window_ms
    content = {
        "schema": SCHEMA,
        "site": report.site,
        "window": {"from": iso(begin, zone), "to": iso(end, zone)},
        "window_s": report.step_ms / 1000 if report.step_ms % 1000 else report.step_ms // 1000,
        "links": [_link_json(link, zone) for link in report.links],
        "notes": list(told(report.remarks)),
    }
    return json.dumps(content, indent=2)


def _link_json(link: LinkUsage, zone: ZoneInfo) -> dict[str, Any]:
    figures = link.figures
    return {
        "name": link.name,
        "direction": link.direction,
        "capacity_mbps": figures.capacity_mbps,
        "mean_mbps": round(figures.mean_mbps, 6),
        "p95_mbps": round(figures.p95_mbps, 6),
        "peak_mbps": round(figures.peak_mbps, 6),
        "peak_window_s": whole(figures.peak_window_s),
        "octets": figures.octets,
        "busy_minutes": whole(figures.busy_minutes),
        "full_minutes": whole(figures.full_minutes),
        "months": [
            {"month": f"{year:04d}-{month:02d}", "p95_mbps": round(p95, 6)}
            for year, month, p95 in link.months
        ],
        "service_classes": [
            {
                "class": item.service_class,
                "dscp": list(item.names),
                "octets": item.octets,
                "packets": item.packets,
                "share": round(item.share, 6),
            }
            for item in link.classes
        ],
        "series": [
            {
                "start": iso(window.start_ms, zone),
                "seconds": window.seconds,
                "mbps": window.mbps,
                "lower_mbps": window.lower_mbps,
                "upper_mbps": window.upper_mbps,
                "state": window.state,
            }
            for window in _windows(link)
        ],
    }


class _Window(NamedTuple):
    """Rates are None where nothing is known."""

    start_ms: int
    seconds: float
    mbps: float | None
    lower_mbps: float | None
    upper_mbps: float | None
    state: str


def _windows(link: LinkUsage) -> Iterator[_Window]:
    edges = link.edges_ms.tolist()
    rates = (column.tolist() for column in (link.mbps, link.lower_mbps, link.upper_mbps))
    for start, end, mbps, low, high, state in zip(
        edges[:-1], edges[1:], *rates, link.state.tolist(), strict=True
    ):
        seconds = (end - start) / 1000
        if state == UNKNOWN:
            yield _Window(start, seconds, None, None, None, STATES[state])
        else:
            yield _Window(start, seconds, round(mbps, 6), round(low, 6), round(high, 6), STATES[state])


def as_csv(report: UsageReport) -> str:
    """One line a window of each link and direction; rates are empty where the exporter was silent."""
    from flowdiag.frames import usage_frame

    rates = ("mbps", "lower_mbps", "upper_mbps")
    return csv_table(
        usage_frame(report),
        ["link", "direction", "start", "seconds", "capacity_mbps", *rates, "state"],
        {"start": iso_moment, "seconds": "{:g}".format, "capacity_mbps": "{:g}".format}
        | dict.fromkeys(rates, "{:.6f}".format),
    )


def as_text(report: UsageReport, *, on_terminal: bool) -> str:
    return printed(_sections(report), on_terminal=on_terminal)


def _sections(report: UsageReport) -> Iterator[RenderableType]:
    zone = ZoneInfo(report.timezone)
    begin, end = report.window_ms
    date = clock(begin, zone, date=True)[:10] != clock(end, zone, date=True)[:10]
    span = wording.span(clock(begin, zone, date=True), clock(end, zone, date=date))
    yield Text(wording.heading(terminal(report.site), span, report.timezone), style="bold")
    yield _figures(report)
    for link in report.links:
        named = wording.link_heading(terminal(link.name), link.direction, link.figures.capacity_mbps)
        yield Text(f"\n{named}", style="bold")
        yield chart(link, zone)
        yield from _peak(link, zone, date=date)
        yield from _months(link)
        yield _classes(link)
    if any((link.state == UNKNOWN).any() for link in report.links):
        yield Text(wording.SILENT)
    for note in told(report.remarks):
        yield Text(f"- {terminal(note)}")


def _figures(report: UsageReport) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), show_edge=False)
    link_column, direction_column, *names = wording.COLUMNS
    table.add_column(link_column, overflow="fold")
    table.add_column(direction_column)
    for name in names:
        table.add_column(name, justify="right", no_wrap=True)
    for link in report.links:
        figures = link.figures
        table.add_row(
            Text(terminal(link.name)),
            DIRECTIONS[link.direction],
            f"{figures.capacity_mbps:g}",
            bare_rate(figures.mean_mbps, "<"),
            bare_rate(figures.p95_mbps, "<"),
            bare_rate(figures.peak_mbps, "<"),
            volume(figures.octets),
            f"{figures.busy_minutes:g}",
            f"{figures.full_minutes:g}",
        )
    return table


def _peak(link: LinkUsage, zone: ZoneInfo, *, date: bool) -> Iterator[Text]:
    """The highest window, and what it could have been given the flows' times."""
    known = np.where(link.state == UNKNOWN, 0.0, link.mbps)
    place = int(np.argmax(known))
    if known[place] > 0.0:
        when = clock(int(link.edges_ms[place]), zone, date=date)
        rates = (known[place], link.lower_mbps[place], link.upper_mbps[place])
        yield Text(wording.highest(when, *rates))


def _months(link: LinkUsage) -> Iterator[Text]:
    """The 95th percentile of each calendar month, where there is more than one."""
    if len(link.months) > 1:
        yield Text(wording.by_month(link.months))


def _classes(link: LinkUsage) -> Text:
    """One line on service classes: whether anything is marked at all, and what."""
    if not link.classes:
        return Text(wording.NO_TRAFFIC)
    return Text(wording.by_class((item.service_class, item.names, item.share) for item in link.classes))
