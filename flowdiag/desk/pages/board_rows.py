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
from flowdiag.desk.catalogue import DeskSite
from flowdiag.desk.pages.addresses import NOW, question_address
from flowdiag.desk.rendering import environment
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.text.clock import Clock
from flowdiag.text.wording.desk import board as wording
from flowdiag.watch.state import DayState, Mark, Spell, Standing

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


class Told(Struct, frozen=True):
    """A state in words. since, address: empty where there is nothing to add."""

    standing: Standing
    words: str
    since: str = ""
    address: str = ""


class Drawn(Struct, frozen=True):
    """A spell of the strip, in units of its picture."""

    on: str
    x: float
    width: float


def row(board: Board, site: DeskSite, known: Standings, now_ms: int, asks: bool) -> Markup:
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


def _part(name: str, site: DeskSite, known: Standings, now_ms: int, asks: bool) -> Markup:
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


def now(site: DeskSite, known: Standings, now_ms: int) -> list[Told]:
    """What is said of a site now, gravest first."""
    return [_told(site, known, standing, now_ms) for standing in known.now.standings]


def _told(site: DeskSite, known: Standings, standing: Standing, now_ms: int) -> Told:
    state, words = known.now, wording.STANDINGS[standing]
    if standing == "unknown" and known.looked_ms is None:
        return Told(standing, wording.NOT_YET)
    if standing == "main":
        return Told(standing, f"{words}, {wording.QUIET}" if state.on == "quiet" else words)
    marks = [mark for mark in state.ongoing if mark.standing == standing]
    begins = [mark.began_ms for mark in marks]
    before = any(mark.before for mark in marks)
    if standing == state.on and (state.since_ms is not None or not marks):
        begins, before = ([] if state.since_ms is None else [state.since_ms]), False
    if not begins:
        return Told(standing, words)
    began, end = min(begins), state.judged_ms or min(begins)
    since = wording.since(clock_time(site, began, now_ms), before=before)
    if standing == "unheard":
        return Told(standing, words, since, _note_until_now(site, began))
    return Told(standing, words, since, _note(site, began, max(end, began), now_ms))


def day(site: DeskSite, known: DayState | None, now_ms: int) -> list[Told]:
    """What happened in the last day, gravest first, each kind once."""
    if known is None:
        return []
    times: dict[Standing, list[tuple[int, int, bool]]] = defaultdict(list)
    for mark in known.marks:
        times[mark.standing].append((mark.began_ms, _end(mark, known), mark.ended_ms is None))
    found = set(times)
    for spell in known.spells:
        if spell.on in ("unheard", "down", "backup") and spell.on not in found:
            times[spell.on].append((spell.begin_ms, spell.end_ms, spell.end_ms >= known.end_ms))
    told = []
    for standing in known.standings:
        if spans := times.get(standing):
            begin, end, goes_on = max(spans, key=lambda span: (span[1] - span[0], span[0]))
            words = wording.happened(standing, len(spans), span_words(site, begin, end, now_ms))
            address = (
                _note_until_now(site, begin)
                if standing == "unheard" and goes_on
                else _note(site, begin, end, now_ms)
            )
            told.append(Told(standing, words, wording.STILL if goes_on else "", address))
    return told[:MOST_TOLD]


def _end(mark: Mark, known: DayState) -> int:
    return known.end_ms if mark.ended_ms is None else mark.ended_ms


def strip(site: DeskSite, known: DayState | None, now_ms: int) -> tuple[list[Drawn], str]:
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


def clock_time(site: DeskSite, ms: int, today_ms: int) -> str:
    """14:05 NZDT, with its day where that is not the day of today_ms."""
    clock = Clock(site.timezone)
    ms, today_ms = ms // MINUTE_MS * MINUTE_MS, max(today_ms, ms)
    told = f"{clock.time(ms)} {clock.zone(ms)}"
    return told if clock.same_day(ms, today_ms + 1) else f"{clock.short_day(ms)} {told}"


def span_words(site: DeskSite, begin: int, end: int, today_ms: int) -> str:
    """10:10 to 10:40, with the day where it is not that of today_ms."""
    clock = Clock(site.timezone)
    begin, end = begin // MINUTE_MS * MINUTE_MS, max(-(-end // MINUTE_MS), begin // MINUTE_MS + 1) * MINUTE_MS
    return clock.span(begin, end, day=not clock.same_day(begin, today_ms))


def _note(site: DeskSite, begin: int, end: int, now_ms: int) -> str:
    """The address of the note of a time, with some around it, and nothing that is to come."""
    end = min(-(-(end + MINUTE_MS) // MINUTE_MS), now_ms // MINUTE_MS) * MINUTE_MS
    begin = max((min(begin, end) - AROUND_MS) // MINUTE_MS * MINUTE_MS, end - LONGEST_ASKED_MS)
    return _asks(site, begin, Clock(site.timezone).local(end).isoformat())


def _note_until_now(site: DeskSite, heard: int) -> str:
    """The address of the note of a silence that goes on, with a while before it: whenever it is opened, it reaches to then."""
    return _asks(site, (heard - BEFORE_SILENCE_MS) // MINUTE_MS * MINUTE_MS, NOW)


def _asks(site: DeskSite, begin: int, end: str) -> str:
    return question_address(site.key, {"from": Clock(site.timezone).local(begin).isoformat(), "to": end})
