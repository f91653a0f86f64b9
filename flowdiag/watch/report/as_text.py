"""The morning list for a terminal: each site with its reasons, gravest first."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import RenderableType
from rich.padding import Padding
from rich.text import Text

from flowdiag.text.escape import terminal
from flowdiag.text.table_figures import printed
from flowdiag.text.wording.watch import morning as wording
from flowdiag.watch.report.reasons import MorningList
from flowdiag.watch.report.rows import Row, nobody_heard, rows, summary, unsure_counts


def render(morning: MorningList, *, on_terminal: bool) -> str:
    return printed(_sections(morning), on_terminal=on_terminal)


def _sections(morning: MorningList) -> Iterator[RenderableType]:
    yield Text(f"{wording.TITLE}, {wording.at(morning.now_ms)}")
    yield Text(summary(morning))
    if silent := nobody_heard(morning):
        yield Text(silent, "bold red")
    number = 0
    for row in rows(morning):
        if row.number != number:
            number = row.number
            client = "" if row.site.client == row.site.site else f" ({row.site.client})"
            yield Text("")
            yield Text(terminal(f"{number}. {row.site.site}{client}"), "bold")
        yield from (Padding(line, (0, 0, 0, 3)) for line in _lines(row))
    if not morning.listed:
        yield Text(wording.nobody(len(morning.unsure)))
    if morning.unsure:
        yield Text("")
        yield Text(wording.CANNOT_TELL, "bold")
        yield from (Padding(Text(said), (0, 0, 0, 3)) for said in unsure_counts(morning))
        yield from (
            Padding(Text(terminal(f"{one.site}: {one.said}")), (0, 0, 0, 5)) for one in morning.unsure
        )


def _lines(row: Row) -> Iterator[Text]:
    head = ", ".join(part for part in (row.kind, row.since, row.sure) if part)
    yield Text(terminal(head), "yellow")
    yield Text(terminal(row.reason.what))
    if row.say:
        yield Text(terminal(wording.say(row.say)))
    yield from (Text(terminal(step)) for step in row.actions)
    if row.known:
        yield Text(terminal(row.known), "cyan")
