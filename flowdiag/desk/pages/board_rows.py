"""One site's row on the board, as markup: made when what it shows changes, and kept until then."""

from __future__ import annotations

import time
from collections import defaultdict
from typing import Any, Final

from markupsafe import Markup
from msgspec import Struct
from msgspec.structs import replace

from flowdiag.desk.asked import Asked
from flowdiag.desk.board import Board, Standings
from flowdiag.desk.pages.addresses import NOW, question_address
from flowdiag.desk.rendering import environment
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.site.catalogue import KnownSite
from flowdiag.text.clock import Clock
from flowdiag.text.wording.desk import board as wording
from flowdiag.watch.state import GRAVEST_FIRST, DayState, Mark, Spell, Standing

# Asked about around what happened, and at most, so that the note is quick and tells how it began.
AROUND_MS: Final = 10 * MINUTE_MS
LONGEST_ASKED_MS: Final = 6 * HOUR_MS
BEFORE_SILENCE_MS: Final = 15 * MINUTE_MS
MOST_TOLD: Final = 3  # of what happened in a day
LEAST_DRAWN_MS: Final = 10 * MINUTE_MS  # narrower than a pixel otherwise
MOST_SAID: Final = 6  # spells that are told to whoever does not see the picture
STRIP_WIDTH: Final = 288.0
_MOST_KEPT: Final = 20_000
_kept: dict[tuple[int, str, bool], tuple[tuple[Any, ...], Markup]] = {}
_ORDINARY: Final = frozenset({"main", "quiet"})
SAME_MS: Final = MINUTE_MS  # looks at times of different length tell begins and ends as near as that


class Told(Struct, frozen=True):
    """A state in words. since, address: empty where there is nothing to add."""

    standing: Standing
    words: str
    since: str = ""
    address: str = ""


class Span(Struct, frozen=True):
    """When something was; before: it may have begun earlier."""

    begin: int
    end: int
    goes_on: bool = False
    before: bool = False


class Drawn(Struct, frozen=True):
    """A spell of the strip, in units of its picture."""

    on: str
    x: float
    width: float


def row(board: Board, site: KnownSite, known: Standings, now_ms: int, asks: bool) -> Markup:
    """now_ms: the time, on whose day times need no date; asks: who looks may read notes."""
    key = (id(board), site.key, asks)
    state = (board.version_of(site), site.digest, known.looked_ms is None, now_ms // HOUR_MS)
    kept = _kept.get(key)
    if kept is None or kept[0] != state:
        if len(_kept) >= _MOST_KEPT:
            _kept.clear()
        kept = _kept[key] = (state, _part("row", site, known, now_ms, asks))
    return kept[1]


def standing_of(asked: Asked, asks: bool) -> Markup:
    """What is known of the site of a page, for staff; nothing for others. asks: as for row()."""
    if not asked.who.is_staff:
        return Markup("")
    site = asked.the_site
    known, now_ms = asked.desk.board.of(site), time.time_ns() // 1_000_000
    return _part("standing", site, known, now_ms, asks)


def _part(name: str, site: KnownSite, known: Standings, now_ms: int, asks: bool) -> Markup:
    macro = getattr(environment().get_template("board_parts.html").module, name)
    shown = until_now(known, now_ms)
    told, happened = now(site, known, now_ms), day(site, shown, now_ms)
    return Markup(macro(site, told, happened, strip(site, shown, now_ms), known, wording, asks))


def until_now(known: Standings, now_ms: int) -> DayState | None:
    """The last day of a site; of one that is not heard any more with the time of which nothing is known, in which nothing is
    known to go on."""
    day, heard_ms = known.day, known.now.heard_ms
    if day is None or known.now.on != "unheard" or heard_ms is None:
        return day
    begin_ms = now_ms - DAY_MS
    spells = [
        replace(spell, begin_ms=max(spell.begin_ms, begin_ms))
        for spell in day.spells
        if spell.end_ms > begin_ms
    ]
    spells.append(Spell("unheard", max(heard_ms, begin_ms), now_ms))
    marks = (
        replace(mark, began_ms=max(mark.began_ms, begin_ms), ended_ms=_end(mark, day)) for mark in day.marks
    )
    kept = tuple(mark for mark in marks if mark.ended_ms is not None and mark.ended_ms > begin_ms)
    return replace(day, begin_ms=begin_ms, end_ms=now_ms, spells=tuple(spells), marks=kept)


def now(site: KnownSite, known: Standings, now_ms: int) -> list[Told]:
    """What is said of a site now, gravest first, each kind once."""
    told: list[Told] = []
    for standing in known.now.standings:
        kinds: dict[str, list[Span]] = defaultdict(list)
        for mark in known.now.ongoing:
            if mark.standing == standing:
                kinds[wording.of_finding(standing, mark.code)].append(_span(mark, known.now.judged_ms))
        if standing == known.now.standing_on and wording.STANDINGS[standing] not in kinds:
            kinds = {wording.STANDINGS[standing]: [], **kinds}
        told += [_told(site, known, standing, words, spans, now_ms) for words, spans in kinds.items()]
    return told


def _told(
    site: KnownSite, known: Standings, standing: Standing, words: str, spans: list[Span], now_ms: int
) -> Told:
    """words: its kind; spans: of the findings of this kind."""
    state = known.now
    if standing == "unknown" and known.looked_ms is None:
        return Told(standing, wording.NOT_YET)
    if standing == "main":
        return Told(standing, f"{words}, {wording.QUIET}" if state.on == "quiet" else words)
    if standing == state.on and words == wording.STANDINGS[standing] and state.since_ms is not None:
        spans = [Span(state.since_ms, state.judged_ms or state.since_ms)]
    if standing != "unheard":
        spans = _with_earlier(spans, known.day, standing, words)
    if not spans:
        return Told(standing, words)
    first = min(spans, key=lambda span: (span.begin, span.before))
    since = wording.since(clock_time(site, first.begin, now_ms), before=first.before)
    if standing == "unheard":
        return Told(standing, words, since, _note_until_now(site, first.begin))
    end = max(state.judged_ms or first.begin, first.begin)
    return Told(standing, words, since, note_address(site, first.begin, end, now_ms))


def _with_earlier(spans: list[Span], day: DayState | None, standing: Standing, words: str) -> list[Span]:
    """With what the day knows of it: a look at a longer time knows of earlier begins."""
    if day is None:
        return spans
    begin = min((span.begin for span in spans), default=day.end_ms)
    return spans + [
        span
        for (kind, its), found in _spans(day).items()
        for span in found
        if (kind, its) == (standing, words) and span.begin <= begin <= span.end + SAME_MS
    ]


def _spans(day: DayState) -> dict[tuple[Standing, str], list[Span]]:
    """When what happened in a day did, by standing and words."""
    spans: dict[tuple[Standing, str], list[Span]] = defaultdict(list)
    for mark in day.marks:
        spans[mark.standing, wording.of_finding(mark.standing, mark.code)].append(_span(mark, day.end_ms))
    found = {standing for standing, _ in spans}
    for spell in day.spells:
        if spell.on in ("unheard", "down", "backup") and spell.on not in found:
            goes_on = spell.end_ms >= day.end_ms
            spans[spell.on, wording.STANDINGS[spell.on]].append(
                Span(spell.begin_ms, spell.end_ms, goes_on, spell.begin_ms <= day.begin_ms)
            )
    return spans


def day(site: KnownSite, known: DayState | None, now_ms: int) -> list[Told]:
    """What happened in the last day, gravest first, each kind once."""
    if known is None:
        return []
    kinds = sorted(_spans(known).items(), key=lambda kind: GRAVEST_FIRST.index(kind[0][0]))
    told = []
    for (standing, kind), spans in kinds:
        longest = max(spans, key=lambda span: (span.end - span.begin, span.begin))
        words = wording.happened(kind, len(spans), span_words(site, longest.begin, longest.end, now_ms))
        address = (
            _note_until_now(site, longest.begin)
            if standing == "unheard" and longest.goes_on
            else note_address(site, longest.begin, longest.end, now_ms)
        )
        told.append(Told(standing, words, wording.STILL if longest.goes_on else "", address))
    return told[:MOST_TOLD]


def _span(mark: Mark, end_ms: int | None) -> Span:
    """end_ms: how far what is known of it reaches."""
    end = mark.ended_ms if mark.ended_ms is not None else max(end_ms or mark.began_ms, mark.began_ms)
    return Span(mark.began_ms, end, mark.ended_ms is None, mark.before)


def _end(mark: Mark, known: DayState) -> int:
    return known.end_ms if mark.ended_ms is None else mark.ended_ms


def strip(site: KnownSite, known: DayState | None, now_ms: int) -> tuple[list[Drawn], str]:
    """The picture of a day, and what it says."""
    if known is None:
        return [], wording.strip("")
    begin, scale = known.end_ms - DAY_MS, STRIP_WIDTH / DAY_MS
    drawn: list[Drawn] = []
    said: list[str] = []
    for spell in known.spells:
        length = spell.end_ms - spell.begin_ms
        if spell.on not in _ORDINARY:
            length = max(length, LEAST_DRAWN_MS)
            if spell.on != "unknown" and len(said) < MOST_SAID:
                said.append(wording.spell(spell.on, span_words(site, spell.begin_ms, spell.end_ms, now_ms)))
        x = (spell.begin_ms - begin) * scale
        drawn.append(Drawn(spell.on, round(x, 1), round(min(length * scale, STRIP_WIDTH - x), 1)))
    drawn.sort(key=lambda one: one.on not in _ORDINARY)  # what is short is drawn over what is long
    return drawn, wording.strip(", ".join(said) or (wording.STANDINGS["main"] if drawn else ""))


def clock_time(site: KnownSite, ms: int, today_ms: int) -> str:
    """14:05 NZDT, with its day where that is not the day of today_ms."""
    clock = Clock(site.timezone)
    ms, today_ms = clock.told(ms), max(today_ms, clock.told(ms))
    told = f"{clock.time(ms)} {clock.zone(ms)}"
    return told if clock.same_day(ms, today_ms + 1) else f"{clock.short_day(ms)} {told}"


def span_words(site: KnownSite, begin: int, end: int, today_ms: int) -> str:
    """10:10 to 10:40, with the day where it is not that of today_ms."""
    clock = Clock(site.timezone)
    begin, end = begin // MINUTE_MS * MINUTE_MS, max(-(-end // MINUTE_MS), begin // MINUTE_MS + 1) * MINUTE_MS
    return clock.span(begin, end, day=not clock.same_day(begin, today_ms))


def note_address(site: KnownSite, begin: int, end: int, now_ms: int) -> str:
    """The address of the note of a time, with some around it, and nothing that is to come."""
    end = min(-(-(end + MINUTE_MS) // MINUTE_MS), now_ms // MINUTE_MS) * MINUTE_MS
    begin = max((min(begin, end) - AROUND_MS) // MINUTE_MS * MINUTE_MS, end - LONGEST_ASKED_MS)
    return _asks(site, begin, Clock(site.timezone).local(end).isoformat())


def _note_until_now(site: KnownSite, heard: int) -> str:
    """The address of the note of a silence that goes on, with a while before it: whenever it is opened, it reaches to then."""
    return _asks(site, (heard - BEFORE_SILENCE_MS) // MINUTE_MS * MINUTE_MS, NOW)


def _asks(site: KnownSite, begin: int, end: str) -> str:
    return question_address(site.key, {"from": Clock(site.timezone).local(begin).isoformat(), "to": end})
