"""`flowdiag top` as text, JSON and CSV. Names come from the network: every one goes through the escaper."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final
from zoneinfo import ZoneInfo

from msgspec.structs import asdict
from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from flowdiag.aggregator.outside_names import Network, NetworkDatabases, resolve_names
from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.aggregator.top_keys import Conversation
from flowdiag.aggregator.top_ranking import Ranking, Top, TopRow
from flowdiag.durations import DAY_MS
from flowdiag.text.csv_table import csv_table
from flowdiag.text.escape import terminal
from flowdiag.text.figures import bare_rate, tenths, volume
from flowdiag.text.table_figures import clock, iso, iso_moment, printed, short
from flowdiag.text.wording import top as wording
from flowdiag.text.wording.coverage import told

SCHEMA: Final = "flowdiag.top/1"


class Outside:
    """What databases and the name service say of the outside addresses that are shown."""

    def __init__(self, top: Top, databases: NetworkDatabases | None, *, resolve: bool) -> None:
        shown = [row for ranking in (top.whole, *top.steps) for row in ranking.rows]
        wanted = top.request.kind in ("destinations", "conversations")
        addresses = [row.address for row in shown if row.address is not None] if wanted else []
        self.has_networks = wanted and databases is not None
        self.has_names = wanted and resolve
        self._networks: dict[bytes, Network] = {}
        if databases is not None:
            self._networks = {address: databases.look_up(address) for address in addresses}
        self._names = resolve_names(addresses) if resolve else {}

    def network(self, row: TopRow) -> Network:
        return self._networks.get(row.address or b"", Network())

    def name(self, row: TopRow) -> str | None:
        return self._names.get(row.address or b"")


def as_json(top: Top, outside: Outside) -> str:
    zone = ZoneInfo(top.timezone)
    content: dict[str, Any] = {
        "schema": SCHEMA,
        "kind": top.request.kind,
        "by": top.request.by,
        **_ranking_json(top.whole, zone, outside),
        "folded": {"keys": top.folded_keys, "error": round(top.error)},
        "notes": list(told(top.remarks)),
    }
    if top.request.step_ms is not None:
        content["windows"] = [_ranking_json(ranking, zone, outside) for ranking in top.steps]
    return json.dumps(content, indent=2)


def _ranking_json(ranking: Ranking, zone: ZoneInfo, outside: Outside) -> dict[str, Any]:
    begin, end = ranking.window_ms
    return {
        "window": {"from": iso(begin, zone), "to": iso(end, zone)},
        "rows": [_row_json(row, zone, outside) for row in ranking.rows],
        "rest": {"octets": ranking.rest_octets, "share": round(ranking.rest_share, 6)},
        "total": {
            "octets": ranking.total_octets,
            "packets": ranking.total_packets,
            "flows": ranking.total_flows,
        },
    }


def _row_json(row: TopRow, zone: ZoneInfo, outside: Outside) -> dict[str, Any]:
    found: dict[str, Any] = {
        "key": asdict(row.key) if isinstance(row.key, Conversation) else row.key,
        "label": row.label,
        "octets": row.octets,
        "packets": row.packets,
        "flows": row.flows,
        "share": round(row.share, 6),
        "mean_mbps": round(row.mean_mbps, 6),
        "peak_mbps": None if row.peak_mbps is None else round(row.peak_mbps, 6),
        "first": iso(row.first_ms, zone),
        "last": iso(row.last_ms, zone),
        "bound_octets": row.bound_octets,
    }
    if outside.has_networks:
        network = outside.network(row)
        found["network"], found["country"] = network.owner, network.country
    if outside.has_names:
        found["name"] = outside.name(row)
    return found


def as_csv(top: Top, outside: Outside) -> str:
    """One line a row; the ranking's window in front, of the windows alone where there are any."""
    import pandas as pd

    from flowdiag.frames import key_columns, ranking_frame

    keys = key_columns(top.request.kind)
    measures = ["octets", "packets", "flows", "share", "mean_mbps", "peak_mbps"]
    columns = ["from", "to", *keys, "label", *measures, "first", "last", "bound_octets"]
    columns += ["network", "country"] * outside.has_networks + ["name"] * outside.has_names
    parts = []
    for ranking in top.steps or (top.whole,):
        frame = ranking_frame(ranking, top.request.kind, top.timezone).astype("object")
        frame["network"] = [outside.network(row).owner for row in ranking.rows]
        frame["country"] = [outside.network(row).country for row in ranking.rows]
        frame["name"] = [outside.name(row) for row in ranking.rows]
        frame.loc[len(frame) + 1] = {
            keys[0]: wording.EVERYTHING_ELSE,
            "octets": ranking.rest_octets,
            "packets": max(ranking.total_packets - sum(row.packets for row in ranking.rows), 0),
            "flows": max(ranking.total_flows - sum(row.flows for row in ranking.rows), 0),
            "share": ranking.rest_share,
        }
        frame["from"], frame["to"] = (iso(time_ms, ZoneInfo(top.timezone)) for time_ms in ranking.window_ms)
        parts.append(frame)
    return csv_table(
        pd.concat(parts),
        columns,
        dict.fromkeys(("share", "mean_mbps", "peak_mbps"), "{:.6f}".format)
        | {"first": iso_moment, "last": iso_moment},
    )


def as_text(top: Top, outside: Outside, *, on_terminal: bool) -> str:
    return printed(_sections(top, outside), on_terminal=on_terminal)


def _sections(top: Top, outside: Outside) -> Iterator[RenderableType]:
    zone = ZoneInfo(top.timezone)
    yield Text(f"{_title(top)}\n{_window(top.whole, zone)} ({top.timezone})\n", style="bold")
    yield _table(top, top.whole, zone, outside)
    for ranking in top.steps:
        yield Text(f"\n{_window(ranking, zone)}\n", style="bold")
        yield _table(top, ranking, zone, outside)
    if top.error:
        yield Text(f"- {wording.folded(top.folded_keys, top.error, top.request.by)}")
    for note in told(top.remarks):
        yield Text(f"- {terminal(note)}")


def _title(top: Top) -> str:
    request, link = top.request, top.link
    direction = None if request.direction is None else DIRECTION_NAMES[request.direction]
    return wording.title(request.kind, request.by, None if link is None else terminal(link), direction)


def _window(ranking: Ranking, zone: ZoneInfo) -> str:
    begin, end = ranking.window_ms
    same_day = clock(begin, zone, date=True)[:10] == clock(end, zone, date=True)[:10]
    return wording.span(clock(begin, zone, date=True), clock(end, zone, date=not same_day))


def _table(top: Top, ranking: Ranking, zone: ZoneInfo, outside: Outside) -> Table:
    """Rows with key and label in one column, so that 80 columns hold them."""
    begin, end = ranking.window_ms
    date = end - begin > DAY_MS
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), show_edge=False)
    table.add_column("", overflow="fold", ratio=1)
    for name in wording.COLUMNS:
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column(wording.SEEN, no_wrap=True)
    for row in ranking.rows:
        table.add_row(
            Text(_names(row, outside)),
            volume(row.octets),
            tenths(row.share),
            short(row.packets),
            short(row.flows),
            bare_rate(row.mean_mbps, "<"),
            bare_rate(row.peak_mbps, "<"),
            _seen(row, zone, date=date),
        )
    table.add_row(wording.EVERYTHING_ELSE, volume(ranking.rest_octets), tenths(ranking.rest_share), *[""] * 5)
    total = (volume(ranking.total_octets), "", short(ranking.total_packets), short(ranking.total_flows))
    table.add_row(wording.TOTAL, *total, "", "", "", style="bold")
    return table


def _seen(row: TopRow, zone: ZoneInfo, *, date: bool) -> str:
    """First and last time to the minute, or the days where the window is longer than one."""
    part = slice(5, 10) if date else slice(0, 5)
    return "-".join(clock(time_ms, zone, date=date)[part] for time_ms in (row.first_ms, row.last_ms))


def _names(row: TopRow, outside: Outside) -> str:
    """Key, label and what is known of the network, in one cell."""
    key = row.key if isinstance(row.key, str) else " ".join(asdict(row.key).values())
    network = outside.network(row)
    known = [row.label, outside.name(row), network.owner, network.country]
    extra = ", ".join(dict.fromkeys(text for text in known if text and text != row.key))
    return terminal(f"{key} ({extra})" if extra else key)
