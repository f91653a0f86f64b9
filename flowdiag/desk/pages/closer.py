"""Looking closer at exactly a span of time: what the links carried, who, where and what; each row leads on."""

from __future__ import annotations

import time
from collections.abc import Iterator
from itertools import zip_longest
from typing import Any, Final, NamedTuple

from markupsafe import Markup
from starlette.responses import Response

from flowdiag.addresses import to_bytes
from flowdiag.aggregator.labels import Labels
from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asked_times import WrongTime, moment, typed_times
from flowdiag.desk.asking.closer_question import CloserAnswer, CloserQuestion
from flowdiag.desk.asking.rankings_question import (
    APPLICATION,
    COLUMNS,
    INSIDE,
    OUTSIDE,
    Rankings,
    RankingsQuestion,
    Row,
    Table,
)
from flowdiag.desk.asking.workers import GivenUp
from flowdiag.desk.looking import Look, read_look
from flowdiag.desk.pages.front import CLOSE_LOOKERS
from flowdiag.desk.pages.waiting import PATIENCE_S, answer_or_wait
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import Page
from flowdiag.desk.tables_as_csv import figures_csv, ranking_csv
from flowdiag.durations import DAY_MS
from flowdiag.errors import FlowdiagError, UsageError
from flowdiag.text.clock import Clock
from flowdiag.text.wording.desk import ask as asking_words
from flowdiag.text.wording.desk import closer as wording
from flowdiag.text.wording.desk import shell

SHOWN_ROWS: Final = 20  # of each table, unless all are asked for
_NAMES: Final = {INSIDE: "host", OUTSIDE: "destination", APPLICATION: "application"}
_FIGURES: Final = "links"
_QUERY: Final = ("link", "direction", "host", "destination", "application", "by", "rows")


class Cell(NamedTuple):
    """address: of the page that looks at this alone; None where that is looked at already; label: the profile's name of it."""

    text: str
    address: str | None
    label: str | None = None


class ShownRow(NamedTuple):
    keys: list[Cell]
    figures: list[str]


class ShownTable(NamedTuple):
    """left: rows that are not shown; bound: the most that a row may lack, in octets."""

    kind: str
    rows: list[ShownRow]
    rest: list[str] | None
    left: int
    bound: int
    csv: str


async def closer(asked: Asked) -> Response:
    form = {name: asked.query(name) for name in ("when", "from", "to", *_QUERY)}
    try:
        look = await _look(asked)
    except UsageError as error:
        return page(
            asked, "closer_form.html", status=400, wording=wording, site=asked.the_site, form=form,
            mistake=asking_words.MISTAKE, fault=shell.sentence(str(error)),
            wrong_time=isinstance(error, WrongTime),
        )  # fmt: skip
    if asked.query("as") == "csv":
        return await _csv(asked, look, asked.query("table") or "")
    written = asked.query("from"), asked.query("to")
    if asked.query("when") is not None or written != look.begin_and_end:
        return asked.to(look.address())  # each state has one address
    return await _shown(asked, look, form)


async def _look(asked: Asked) -> Look:
    """What the address or the form asks for. Raises UsageError."""
    query = {name: value for name in _QUERY if (value := asked.query(name)) is not None}
    typed = asked.query("when")
    if typed is not None or asked.query("from") is None:
        found = await typed_times(asked, typed or asking_words.USUAL_WHEN)
        begin, end = (moment(asked, "when", text) for text in (found.window_from, found.window_to))
    else:
        begin, end = (moment(asked, name, asked.query(name)) for name in ("from", "to"))
    first, past = (round(one.timestamp()) * 1000 for one in (begin, end))
    return read_look(asked.the_site, query, (first, past))


def _questions(asked: Asked, look: Look) -> tuple[CloserQuestion, RankingsQuestion]:
    span = asked.span(*look.begin_and_end)
    of_link: Any = {"link": look.link, "direction": look.direction}
    chosen: Any = {
        "by": look.by,
        "host": look.host,
        "destination": look.destination,
        "application": look.application,
    }
    return CloserQuestion(**span, **of_link), RankingsQuestion(**span, **of_link, **chosen)


async def _shown(asked: Asked, look: Look, form: dict[str, str | None]) -> Response:
    """The page; where the rankings take longer than the pictures they come later."""
    until = time.monotonic() + PATIENCE_S
    about_links, about_rankings = _questions(asked, look)
    answers = asked.desk.answers
    answers.begin(about_links, asked.waiter)  # before the other: of long questions one is answered at a time
    work = answers.begin(about_rankings, asked.waiter)
    answer: CloserAnswer | Response = await answer_or_wait(asked, about_links, wording.LOOK_CLOSER)
    if isinstance(answer, Response):
        return answer
    rankings: Rankings | None = None
    fault = None
    try:
        left = (
            0.0 if about_rankings.long else until - time.monotonic()
        )  # nobody waits for both of a long time
        rankings = await answers.wait(work, max(left, 0.0))
    except TimeoutError:
        pass
    except GivenUp:
        fault = asking_words.LEFT
    except FlowdiagError as error:
        fault = str(error)
    clock, labels = Clock(look.timezone, fine=True), Labels(asked.the_site.profile)
    return page(
        asked,
        "closer.html",
        wording=wording,
        site=asked.the_site,
        look=look,
        form=form,
        span=clock.full_span(*look.span_ms),
        chosen=list(_chosen(look)),
        answer=answer,
        pictures=[tuple(map(Markup, picture)) for picture in answer.pictures],
        figures=list(_figures(look, answer)),
        rankings=rankings,
        tables=None if rankings is None else [_table(one, look, clock, labels) for one in rankings.tables],
        columns=list(_columns(look)),
        remarks=list(dict.fromkeys((*answer.remarks, *(rankings.remarks if rankings else ())))),
        work=work,
        ranking_fault=fault,
        progress=asking_words.progress,
        leave=asking_words.LEAVE,
    )


def _chosen(look: Look) -> Iterator[tuple[str, str, str]]:
    """Each thing that is chosen: its kind, its name, the address without it."""
    for name, value in look.choices.items():
        shown = wording.direction(value) if name == "direction" else value
        yield wording.CHOICES[name], shown, look.but(**{name: None}).address()


def _columns(look: Look) -> Iterator[tuple[str, str | None]]:
    """Heads of the columns of figures, with the address that ranks by them; None for the one that does already."""
    for name, head in wording.MEASURES.items():
        yield head, None if name == look.by else look.but(by=name).address()
        if name == look.by:
            yield wording.SHARE, None
    yield wording.MEAN, None
    yield wording.SEEN, None


def _figures(look: Look, answer: CloserAnswer) -> Iterator[tuple[Cell, list[str]]]:
    """Rows of the table of links."""
    ways = [
        (link.name, direction)
        for link in answer.figures
        for direction in ("down", "up")
        if look.direction in (None, direction)
    ]
    for (link, direction), (name, *cells) in zip(ways, answer.cells, strict=True):
        leads_on = (look.link, look.direction) != (link, direction)
        address = look.but(link=link, direction=direction).address() if leads_on else None
        yield Cell(name, address), cells


def _table(table: Table, look: Look, clock: Clock, labels: Labels) -> ShownTable:
    rows = table.rows if look.whole else table.rows[:SHOWN_ROWS]
    left = len(table.rows) - len(rows)
    hidden = table.rows[len(rows) :]
    rest = [
        part + sum(getattr(row, name) for row in hidden)
        for part, name in zip(table.rest, wording.MEASURES, strict=True)
    ]
    share = table.rest_share + sum(row.share for row in hidden)
    return ShownTable(
        kind=table.kind,
        rows=[_row(row, table, look, clock, labels) for row in rows],
        rest=_measures((rest[0], rest[1], rest[2]), share, look.by) if any(rest) else None,
        left=left,
        bound=max((row.bound_octets for row in rows), default=0),
        csv=look.address(table=table.kind, **{"as": "csv"}),
    )


def _row(row: Row, table: Table, look: Look, clock: Clock, labels: Labels) -> ShownRow:
    label = row.label if row.label not in row.keys else None
    named = [labels.label(to_bytes(row.keys[0])), label] if table.kind == "conversations" else [label]
    keys = []
    for column, key, name_of_it in zip_longest(COLUMNS[table.kind], row.keys, named):
        name = _NAMES[column]
        leads_on = getattr(look, name) is None
        keys.append(Cell(key, look.but(**{name: key}).address() if leads_on else None, name_of_it))
    dated = look.span_ms[1] - look.span_ms[0] > DAY_MS
    seen = dict.fromkeys(
        clock.short_day(ms) if dated else clock.time(ms) for ms in (row.first_ms, row.last_ms)
    )
    measures = _measures((row.octets, row.packets, row.flows), row.share, look.by)
    return ShownRow(keys, [*measures, wording.rate(row.mean_mbps), wording.seen(seen)])


def _measures(amounts: tuple[int, int, int], share: float, by: str) -> list[str]:
    """Octets, packets and flows, with the share behind what is ranked by."""
    octets, packets, flows = amounts
    shown = [wording.amount(octets), wording.number(packets), wording.number(flows)]
    shown.insert(list(wording.MEASURES).index(by) + 1, wording.share(share))
    return shown


async def _csv(asked: Asked, look: Look, table: str) -> Response:
    """A table of the page, all of its rows."""
    about_links, about_rankings = _questions(asked, look)
    wanted = about_links if table == _FIGURES else about_rankings
    found: Any = await answer_or_wait(asked, wanted, wording.LOOK_CLOSER)
    if isinstance(found, Response):
        return found
    if isinstance(found, CloserAnswer):
        content = figures_csv(found.figures, look.direction, known=found.covered > 0.0)
    else:
        one = next((one for one in found.tables if one.kind == table), None)
        if one is None:
            raise Refused(404, wording.NO_TABLE)
        content = ranking_csv(one, look.span_ms, look.timezone)
    begin = Clock(look.timezone).local(look.span_ms[0])
    name = f"{look.site}-{table}-{begin:%Y%m%d-%H%M}.csv"
    return Response(
        content,
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


PAGES: Final = (Page("/sites/{site}/closer", closer, roles=CLOSE_LOOKERS),)
