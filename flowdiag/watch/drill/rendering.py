"""A drill as one HTML page to send to the client, as text and as JSON. As a note: no script, nothing fetched."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal

import msgspec
from msgspec import Struct

from flowdiag.note.templates import templates_in
from flowdiag.site.clock import LocalTime
from flowdiag.text.clock import Clock, duration
from flowdiag.text.escape import terminal
from flowdiag.text.figures import percent, plan_rate, rate, volume
from flowdiag.text.wording.watch import drill as wording
from flowdiag.watch.drill.drill import SCHEMA, CallsOver, Drill, Way

Form = Literal["html", "text", "json"]
_FOLDER: Final = Path(__file__).parent


def render_drill(drill: Drill, form: Form) -> str:
    """The page, lines for a terminal or a ticket, or JSON of schema flowdiag.drill/1."""
    if form == "json":
        return json.dumps(as_object(drill), indent=1)
    return _page("drill.html", drill) if form == "html" else _text(drill)


def part(drill: Drill) -> str:
    """What stands below the heading of the page, as markup for a page with the same style."""
    return _page("drill_part.html", drill)


def as_object(drill: Drill) -> dict[str, Any]:
    """As JSON has it, and as an event carries it; from_object() reads it again."""
    clock = LocalTime(drill.timezone)
    told: dict[str, Any] = {"schema": SCHEMA, **msgspec.to_builtins(drill)}
    for name in ("stopped", "backup", "back"):
        ms = getattr(drill, f"{name}_ms")
        told[f"{name}_at"] = None if ms is None else clock.iso(ms)
    return told


def from_object(told: dict[str, Any]) -> Drill:
    """Raises msgspec.ValidationError for what is no drill."""
    return msgspec.convert(told, Drill)


class _Told(Struct, frozen=True):
    """sentences: for the client; figures: name and value; ways: names of figures with a value for each direction."""

    heading: str
    sentences: tuple[str, ...]
    figures: tuple[tuple[str, str], ...]
    ways: tuple[tuple[str, tuple[str, ...]], ...]
    doubts: tuple[str, ...]


def _told(drill: Drill) -> _Told:
    clock = Clock(drill.timezone)
    return _Told(
        heading=wording.title(drill.site),
        sentences=tuple(_sentences(drill, clock)),
        figures=tuple(_figures(drill, clock)),
        ways=tuple(_ways(drill)),
        doubts=tuple(_doubts(drill)),
    )


def _sentences(drill: Drill, clock: Clock) -> Iterator[str]:
    down, up = drill.ways
    yield wording.change(clock, drill.main, drill.backup, drill.stopped_ms, drill.backup_ms, drill.gap_ms)
    lasted = drill.carried_until_ms - drill.backup_ms
    yield wording.carried(clock, lasted, drill.back_ms, drill.return_gap_ms, down.octets + up.octets)
    yield _calls(drill.calls, back=False)
    yield wording.fit(drill.was_full, [(way.direction, way.full_minutes) for way in drill.ways])
    if down.before_minutes:
        yield wording.before(
            (down.before_over_minutes, down.before_minutes), (up.before_over_minutes, up.before_minutes)
        )
    if drill.back_ms is not None:
        yield _calls(drill.return_calls, back=True)
    when = None if drill.tested_ms is None else wording.moment(clock, drill.tested_ms)
    yield wording.tested(drill.tested, when)


def _calls(calls: CallsOver | None, *, back: bool) -> str:
    if calls is None:
        return wording.calls_unknown(back=back)
    return wording.calls(calls.before, calls.went_on, calls.anew, calls.unsure, back=back)


def _figures(drill: Drill, clock: Clock) -> Iterator[tuple[str, str]]:
    for name, ms in (
        (wording.STOPPED, drill.stopped_ms),
        (wording.BACKUP, drill.backup_ms),
        (wording.BACK, drill.back_ms),
    ):
        yield name, wording.UNKNOWN if ms is None else f"{clock.short_day(ms)} {wording.moment(clock, ms)}"
    yield wording.GAP, wording.gap(drill.gap_ms)
    yield wording.RETURN_GAP, wording.gap(drill.return_gap_ms)
    yield wording.LASTED, duration(drill.carried_until_ms - drill.backup_ms)
    for name, calls in ((wording.CALLS, drill.calls), (wording.RETURN_CALLS, drill.return_calls)):
        yield (
            name,
            wording.UNKNOWN
            if calls is None
            else wording.calls_figure(calls.before, calls.went_on, calls.anew),
        )
    yield wording.RESOLUTION, wording.resolution(drill.resolution_s)
    yield wording.HOW_SURE, wording.SURE[drill.confidence]


def _ways(drill: Drill) -> Iterator[tuple[str, tuple[str, ...]]]:
    def known(mbps: float | None) -> str:
        return wording.UNKNOWN if mbps is None else rate(mbps)

    def of(value: Any) -> tuple[str, ...]:
        return tuple(value(way) for way in drill.ways)

    def over(way: Way) -> str:
        return wording.minutes_of(way.before_over_minutes, way.before_minutes)

    yield wording.VOLUME, of(lambda way: volume(way.octets))
    yield wording.MEAN, of(lambda way: rate(way.mean_mbps))
    yield wording.PEAK, of(lambda way: rate(way.peak_mbps))
    yield wording.PLAN, of(lambda way: plan_rate(way.plan_mbps))
    yield wording.FULL, of(lambda way: wording.minutes_full(way.full_minutes))
    yield wording.ABOVE, of(lambda way: volume(way.above_octets))
    yield wording.BEFORE, of(lambda way: known(way.before_mean_mbps))
    yield wording.BEFORE_PEAK, of(lambda way: known(way.before_peak_mbps))
    yield wording.BEFORE_OVER, of(over)


def _doubts(drill: Drill) -> Iterator[str]:
    yield from drill.doubts
    if drill.lost_share:
        yield wording.lost(drill.lost_share)
    if drill.variable:
        yield wording.variable(drill.backup)


def _text(drill: Drill) -> str:
    told = _told(drill)
    lines = [told.heading, wording.MEASURED, "", *told.sentences, "", wording.FIGURES]
    lines += [f"  {name}: {value}" for name, value in told.figures]
    heads = [wording.WAYS[way.direction] for way in drill.ways]
    for name, values in told.ways:
        pairs = (f"{head.lower()} {value}" for head, value in zip(heads, values, strict=True))
        lines.append(f"  {name}: {', '.join(pairs)}")
    for name, shares in ((wording.WHO, drill.hosts), (wording.WHAT, drill.applications)):
        said = ", ".join(f"{one.name} {percent(one.share)}" for one in shares)
        lines.append(f"  {name}: {said or wording.NOBODY}")
    lines += ["", wording.LIMITS]
    lines += [f"  {line}" for line in (*told.doubts, *wording.LIMIT_LINES)]
    return "".join(f"{terminal(line)}\n" for line in lines)


def _page(template: str, drill: Drill) -> str:
    from markupsafe import Markup

    from flowdiag.note.html import policy

    return (
        templates_in(_FOLDER)
        .get_template(template)
        .render(
            drill=drill,
            told=_told(drill),
            wording=wording,
            percent=percent,
            style=Markup(style()),
            policy=policy(style()),
        )
    )


@cache
def style() -> str:
    """Of the page: that of notes."""
    from flowdiag.note.html import page_style

    return page_style()
