"""The ticket note of a site and time, and the words of time that people type."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final, NamedTuple

from msgspec import Struct

from flowdiag.desk.asking.question import Progress, Question
from flowdiag.desk.asking.span_question import SpanQuestion
from flowdiag.durations import DAY_MS, HOUR_MS
from flowdiag.site.profile import Site
from flowdiag.site.window import dated

FINE_MS: Final = 1000
YEAR_DAYS: Final = 366  # no day of another year is meant without it
LONG_MS: Final = 6 * HOUR_MS  # a note of a longer time may take more than some seconds
# Records read around a short time, a twentieth of what the command reads: with somebody on the telephone an answer has to come
# at once. A note says where less than a day around it was looked at, and that is so at large sites alone.
BESIDE: Final = 40_000


class Times(Struct, frozen=True):
    """window_from, window_to: ISO 8601 with the site's offset. remark: by what they were placed, where that may surprise;
    beside: begin "to" end of the time to compare with, likewise."""

    window_from: str
    window_to: str
    remark: str | None
    beside: str | None = None


class TimesQuestion(Question, frozen=True):
    """What words of time mean now. file: the site's profile; now_ms: since 1970 UTC; beside: words of another time."""

    store: str
    file: str
    window_from: str | None
    window_to: str | None
    now_ms: int
    beside: str | None = None

    def answer(self, progress: Progress) -> Times:
        """Raises UsageError for words that cannot be read, StoreError."""
        from flowdiag.query_times import asked_times
        from flowdiag.site.reading import read_profile

        site = read_profile(self.file).site
        begin, end = self.window_from, self.window_to or "now"
        asked = asked_times([self.store], begin, end, site.timezone, site.exporter_octets, self.now_ms)
        self._not_long_ago(asked.window_from, site)
        ends = _until_now(asked.window_from, asked.window_to, site.timezone, self.now_ms)
        return Times(*ends, asked.remark, self._compared(ends, site) if self.beside else None)

    def _not_long_ago(self, begin: str | None, site: Site) -> None:
        """Raises UsageError for a day whose year nobody wrote, and which no year since then had: 29 February."""
        from flowdiag.errors import UsageError
        from flowdiag.site.time_words import OnDate, read_time

        words = self.window_from
        if words is None or begin is None or begin == words or not isinstance(read_time("", words), OnDate):
            return
        if self._end_ms(site) - _ms(begin) > YEAR_DAYS * DAY_MS:
            raise UsageError(f"the last such day was in {begin[:4]}; write the year if that is meant")

    def _compared(self, ends: tuple[str, str], site: Site) -> str:
        from flowdiag.desk.asking.compared_words import compared_times

        asked_ms = (_ms(ends[0]), _ms(ends[1]))
        return compared_times(self.beside or "", asked_ms, site.timezone, None, self._end_ms(site))

    def _end_ms(self, site: Site) -> int:
        """From when words count back."""
        from flowdiag.query_times import asked_times

        now = asked_times(
            [self.store], "now", None, site.timezone, site.exporter_octets, self.now_ms
        ).window_from
        return self.now_ms if now is None or now == "now" else _ms(now)


def _ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def _until_now(begin: str | None, end: str | None, timezone: str, now_ms: int) -> tuple[str, str]:
    """Both with dates and in whole seconds, the end now where it would be later; where a store is empty they count back from
    now. Raises UsageError for what is still to come."""
    from flowdiag.errors import WrongSpan
    from flowdiag.site.clock import LocalTime
    from flowdiag.site.window import resolve_window

    begin, end = dated(begin, end, timezone, None, now_ms)
    window = resolve_window(begin, end, timezone, None, now_ms)
    if window[0] >= now_ms:
        raise WrongSpan("the time is still to come", span_ms=window)
    window = window[0], min(window[1], now_ms)
    clock = LocalTime(timezone)
    first, last = (clock.local(ms // FINE_MS * FINE_MS).isoformat() for ms in window)
    return first, last


class DrawnPicture(NamedTuple):
    """title, and the picture for a page and for a phone, as SVG."""

    title: str
    wide: str
    narrow: str


class OtherTime(Struct, frozen=True):
    """What differs from another time: heading, what is said, and the picture of each time with its axis."""

    heading: str
    said: tuple[str, ...]
    pictures: tuple[tuple[DrawnPicture, tuple[int, int]], ...]


class NoteAnswer(Struct, frozen=True):
    """A note in every form that the desk shows. verdict: its code; headline: its sentence for the client; start_ms, end_ms: of
    the pictures' axis; client, engineer: markup; page, brief, client_page: whole HTML files, the last for a client; beside:
    where another time was asked for."""

    site: str
    timezone: str
    window_ms: tuple[int, int]
    ticket: str | None
    verdict: str
    confidence: str
    headline: str
    axis_ms: tuple[int, int] | None
    client: str
    lead: tuple[DrawnPicture, ...]
    engineer: str
    client_text: str
    client_markdown: str
    text: str
    markdown: str
    json: str
    page: str
    brief: str
    client_page: str = ""  # of notes that were kept before there was one
    beside: OtherTime | None = None


class NoteQuestion(SpanQuestion, frozen=True):
    """beside: another time as --compare takes it; pseudonyms: inside addresses are replaced."""

    reported: str | None = None
    ticket: str | None = None
    beside: str | None = None
    pseudonyms: bool = False

    @property
    def longest_ms(self) -> int:
        return LONG_MS

    def answer(self, progress: Progress) -> NoteAnswer:
        """Raises what pipeline.run() and comparing.run_other() raise."""
        from flowdiag.comparing import run_other
        from flowdiag.long_times import Effort
        from flowdiag.note.compose import compose
        from flowdiag.note.pseudonyms import Pseudonyms
        from flowdiag.pipeline import run

        profile, effort = self.profile(), Effort(beside=BESIDE)
        diagnosis = run(
            [self.store],
            profile,
            window_from=self.window_from,
            window_to=self.window_to,
            reported=self.reported,
            progress=progress,
            effort=effort,
        )
        other = None
        if self.beside is not None:
            other = run_other([self.store], diagnosis.case, self.beside, progress=progress, effort=effort)
        names = Pseudonyms.from_key_file() if self.pseudonyms else None
        return as_answer(compose(diagnosis, ticket=self.ticket, pseudonyms=names, other=other))


def as_answer(note: Any) -> NoteAnswer:
    """A note of note/model.py in every form."""
    from flowdiag.note import html, json_note, markdown, text

    parts = html.parts(note)
    axis = note.charts[0] if note.charts else None
    return NoteAnswer(
        site=note.site,
        timezone=note.timezone,
        window_ms=note.window_ms,
        ticket=note.ticket,
        verdict=note.verdict.code,
        confidence=note.verdict.confidence,
        headline=note.client.saw[0],
        axis_ms=None if axis is None else (axis.start_ms, axis.end_ms),
        client=parts.client,
        lead=tuple(DrawnPicture(*map(str, picture)) for picture in parts.lead),
        engineer=parts.engineer,
        client_text=text.render_client(note),
        client_markdown=markdown.render_client(note),
        text=text.render(note),
        markdown=markdown.render(note),
        json=json_note.render(note),
        page=parts.whole,
        brief=html.render_brief(note),
        client_page=html.render_client(note),
        beside=None if note.beside is None else _other_time(note, parts.beside),
    )


def _other_time(note: Any, pictures: Any) -> OtherTime:
    from flowdiag.text.wording import comparison as wording

    compared = note.beside.comparison
    then = wording.verdict_then(compared)
    return OtherTime(
        heading=wording.heading(compared, note.clock),
        said=(compared.sentence, *([then] if then else []), *compared.doubts),
        pictures=tuple(
            (DrawnPicture(*map(str, picture)), (chart.start_ms, chart.end_ms))
            for picture, chart in zip(pictures, note.beside.charts, strict=True)
        ),
    )
