"""Figures of a finding's evidence and of the tables, as people read them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from flowdiag.aggregator.figures import LinkFigures, Ranked
from flowdiag.diagnoser.evidence import keys_of
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kinds import kind_of
from flowdiag.durations import MINUTE_MS, Span
from flowdiag.text.clock import Clock
from flowdiag.text.figures import (
    bare_rate,
    percent,
    plain_rate,
    three_figures,
    volume,
)
from flowdiag.text.wording import figures as wording
from flowdiag.text.wording.note import WAYS

# Rows of a ranking that a note shows; the rest is in `flowdiag top`.
TOP_ROWS: Final = 8
RANKED_FIGURES: Final = len(wording.RANKED_COLUMNS)
# Smaller shares do not help to explain a finding; JSON has them.
LEAST_SHARE: Final = 0.01
MOST_NAMED: Final = 5
MOST_SPELLS: Final = 8  # JSON has all


def evidence_rows(finding: Finding, clock: Clock) -> tuple[tuple[str, str], ...]:
    """(name, figure with its unit) of a finding's evidence, in its order.

    What is not known, not so or nothing worth telling is left out; what is so has a name alone.
    """
    rows = []
    known = keys_of(kind_of(finding.code).evidence)
    for key, value in finding.evidence.items():
        said = known[key]
        nothing = value is None or value is False or (isinstance(value, list) and not value)
        if nothing or not said.in_notes:
            continue
        if value == 0 and ("minutes" in key or not said.zero):
            continue
        if key == "busy_minutes" and value == finding.evidence.get("full_minutes"):
            continue
        if value is True:
            figure = ""
        elif (
            key in ("full_minutes", "busy_minutes")
            and finding.start_ms is not None
            and finding.end_ms is not None
        ):
            figure = wording.minutes(part_of(value, shown_minutes(finding.end_ms - finding.start_ms)))
        else:
            figure = said.values.get(value, str(value)) if said.values else _figure(key, value, clock)
        rows.append((said.name, figure))
    return tuple(rows)


def _figure(key: str, value: Any, clock: Clock) -> str:
    if key == "protocol" and isinstance(value, str):  # of a profile's keepalive
        return value.upper()
    match value:
        case int() | float():
            return wording.number(key, value)
        case list() | tuple():
            spans = [item for item in value if isinstance(item, Mapping)]
            return ", ".join(map(str, value)) if len(spans) < len(value) else _spans(spans, clock)
        case _:
            return str(value)


def _spans(items: Sequence[Mapping[str, Any]], clock: Clock) -> str:
    """Spells or switches of the evidence: 14:05 to 14:09 (gap 2.5 s); with their days where there are several.

    Their times are ISO 8601 with the site's offset. Beyond MOST_SPELLS they are only counted.
    """
    items, left = items[:MOST_SPELLS], len(items) - MOST_SPELLS
    spans = [(_ms(item["from"]), _ms(item["to"])) for item in items]
    dated = not clock.same_day(spans[0][0], spans[-1][1])
    zoned = len({clock.zone(ms) for span in spans for ms in span}) > 1
    parts = []
    for (begin, end), item in zip(spans, items, strict=True):
        shown = clock.span(begin, end, day=dated)
        shown = shown if zoned else shown.removesuffix(f" {clock.zone(end)}")
        gap = item.get("gap_s")
        parts.append(shown if gap is None else wording.with_gap(shown, three_figures(gap)))
    return ", ".join([*parts, *([wording.and_more(left)] if left > 0 else [])])


def _ms(time: str) -> int:
    return round(datetime.fromisoformat(time).timestamp() * 1000)


def who_rows(finding: Finding) -> tuple[tuple[str, str], ...]:
    """(heading, list) of the finding's hosts, applications and destinations with their shares."""
    rows = []
    for key, heading in wording.WHO.items():
        items = finding.evidence.get(key) or ()
        worth = [item for item in items if item.get("share", 1.0) >= LEAST_SHARE]
        names = [_item(item) for item in worth[:MOST_NAMED]]
        left = len(worth) - len(names)
        if names:
            rows.append((heading, ", ".join([*names, *([wording.and_more(left)] if left else [])])))
        elif items and items[0]["share"] > 0.0:
            rows.append((heading, wording.each(items[0]["share"])))
    return tuple(rows)


def _item(item: Mapping[str, Any]) -> str:
    name = item.get("application") or item.get("address") or wording.UNKNOWN
    label = f" ({item['label']})" if item.get("label") else ""
    return f"{name}{label} {percent(item['share'])}" if "share" in item else f"{name}{label}"


def pair(name: str, figure: str) -> str:
    """ "mean 39.1 Mbit/s", or the name alone of what has no figure."""
    return f"{name} {figure}" if figure else name


def link_rows(links: Sequence[LinkFigures], window_ms: Span) -> list[tuple[str, ...]]:
    """Cells under words.LINK_COLUMNS; rates in Mbit/s. window_ms: what the figures cover."""
    minutes = shown_minutes(window_ms[1] - window_ms[0])
    return [
        (
            _with_role(link),
            WAYS[direction],
            plain_rate(figures.capacity_mbps),
            bare_rate(figures.mean_mbps),
            bare_rate(figures.p95_mbps),
            bare_rate(figures.peak_mbps),
            volume(figures.octets),
            part_of(figures.busy_minutes, minutes),
            part_of(figures.full_minutes, minutes),
        )
        for link in links
        for direction, figures in (("down", link.down), ("up", link.up))
    ]


def _with_role(link: LinkFigures) -> str:
    """A link's name, and that it is the backup where the name does not say so."""
    told = link.role != "backup" or wording.BACKUP in link.name.casefold()
    return link.name if told else f"{link.name} ({wording.BACKUP})"


# Under so many minutes a hundredth of one is told: the windows are short there.
TEN_MINUTES: Final = 10


def part_of(minutes: float, all_minutes: float) -> str:
    """34 of 60; where it is none or all there is no part to speak of."""
    return wording.parts(minutes, all_minutes) if 0 < minutes <= all_minutes else f"{minutes:,g}"


def shown_minutes(length_ms: int) -> float:
    """Minutes of a time; under ten of them to a hundredth, as figures of short windows are."""
    minutes = length_ms / MINUTE_MS
    return round(minutes, 2) if minutes < TEN_MINUTES else round(minutes)


def ranked_table(heading: str, ranked: Sequence[Ranked]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Columns and cells of the TOP_ROWS largest; heading: of the first column.

    Names are shown where any row has one. The last RANKED_FIGURES columns are figures.
    """
    shown = ranked[:TOP_ROWS]
    named = any(row.label for row in shown)
    columns = (heading, *((wording.NAME,) if named else ()), *wording.RANKED_COLUMNS)
    rows = [
        (
            row.key,
            *((row.label or "",) if named else ()),
            volume(row.octets),
            percent(row.share),
            f"{row.flows:,}",
        )
        for row in shown
    ]
    return columns, rows


def more_rows(ranked: Sequence[Ranked]) -> str | None:
    """What a shortened ranking leaves out; shares are parts of everything, also of what is not in `ranked`."""
    if len(ranked) <= TOP_ROWS:
        return None
    share = max(1.0 - sum(row.share for row in ranked[:TOP_ROWS]), 0.0)
    return wording.all_others(share)
