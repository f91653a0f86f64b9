"""The note as text: for a terminal with colours that add nothing, or plain for pasting; 100 columns."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from rich.cells import cell_len

from flowdiag.aggregator.figures import Ranked
from flowdiag.diagnoser.finding import Finding
from flowdiag.durations import Span
from flowdiag.note import comparison, figures
from flowdiag.note.brief import Brief, shortened
from flowdiag.note.layout import (
    PLAIN_WIDTH,
    Line,
    bullets,
    clipped,
    paragraph,
    plain,
    styled,
    table,
    terminal_width,
)
from flowdiag.note.model import Note
from flowdiag.note.text_chart import chart_lines
from flowdiag.text.clock import Clock
from flowdiag.text.escape import terminal
from flowdiag.text.wording import brief as brief_words
from flowdiag.text.wording import comparison as comparing
from flowdiag.text.wording import note as wording
from flowdiag.text.wording.figures import LINK_COLUMNS
from flowdiag.text.wording.pictures import TEXT_LEGEND

_SEVERITY_STYLES: Final = {"critical": "bold red", "warning": "bold yellow", "info": "bold blue"}
_LABEL_WIDTH: Final = 14


def render(note: Note, *, on_terminal: bool = False) -> str:
    """on_terminal: coloured and no wider than the terminal; else plain, at most PLAIN_WIDTH columns."""
    width = terminal_width() if on_terminal else PLAIN_WIDTH
    return _written(_lines(note, width), width, on_terminal)


def render_brief(note: Note, *, on_terminal: bool = False) -> str:
    """The short form, with what render() has."""
    width = terminal_width() if on_terminal else PLAIN_WIDTH
    return _written(_brief_lines(shortened(note), width), width, on_terminal)


def render_client(note: Note) -> str:
    """The client's part alone, to paste into a message."""
    return _written(_client_lines(note, PLAIN_WIDTH), PLAIN_WIDTH, False)


def _written(lines: Iterable[Line], width: int, on_terminal: bool) -> str:
    shown = [clipped([(terminal(text), style) for text, style in line], width) for line in lines]
    return styled(shown) if on_terminal else plain(shown)


def _lines(note: Note, width: int) -> Iterator[Line]:
    yield from _client_lines(note, width)
    yield from _part(wording.FOR_ENGINEER, width)
    yield from _verdict(note, width)
    yield from _beside(note, width)
    yield from _findings(note, width)
    yield from _section(
        wording.LINKS,
        table(LINK_COLUMNS, figures.link_rows(note.links, note.window_ms), left=2, width=width),
    )
    yield from _charts(note, width)
    yield from _ranking(wording.TALKERS, wording.ADDRESS, note.talkers, width)
    yield from _ranking(wording.APPLICATIONS, wording.APPLICATION, note.applications, width)
    yield from _ranking(wording.DESTINATIONS, wording.ADDRESS, note.destinations, width)
    rows = wording.coverage_rows(note.coverage, note.clock)
    named = [line for name, value in rows for line in _labelled(name, value, width, "  ", 22)]
    yield from _section(wording.COVERAGE, [*named, *bullets(note.coverage.notes, width)])
    for heading, sentences in (
        (wording.CAUTIONS, note.cautions),
        (wording.METHOD, note.method),
        (wording.UNSEEN, note.unseen),
    ):
        yield from _section(heading, bullets(sentences, width))


def _brief_lines(short: Brief, width: int) -> Iterator[Line]:
    yield from _client_lines(short.note, width)
    yield from _part(wording.FOR_ENGINEER, width)
    yield []
    yield [(f"{wording.VERDICT}: {short.verdict}", "bold")]
    for section in short.sections:
        yield from _section(section.heading, bullets(section.sentences, width))
    yield from _charts(short.note, width)
    yield []
    yield from paragraph(brief_words.FULL_NOTE, width)


def _client_lines(note: Note, width: int) -> Iterator[Line]:
    yield from paragraph(wording.title(note.ticket, note.site), width, style="bold")
    yield from paragraph(wording.subtitle(note.window_ms, note.clock), width)
    yield from _part(wording.FOR_CLIENT, width)
    client = note.client
    for heading, sentences in (
        (wording.TOLD, (client.told,)),
        (wording.SAW, client.saw),
        (wording.MEANS, (client.means,)),
        (wording.NEXT, client.next),
    ):
        yield []
        yield [(heading, "bold")]
        yield from paragraph(" ".join(sentences), width, indent="  ")


def _part(heading: str, width: int) -> Iterator[Line]:
    yield []
    yield [("═" * width, "dim")]
    yield [(heading.upper(), "bold")]


def _section(heading: str, lines: Sequence[Line]) -> Iterator[Line]:
    if lines:
        yield []
        yield [(heading, "bold")]
        yield from lines


def _labelled(name: str, value: str, width: int, indent: str, size: int = _LABEL_WIDTH) -> list[Line]:
    lead = f"{indent}{name:{size}}"
    return paragraph(value, width, indent=lead, hanging=" " * len(lead))


def _verdict(note: Note, width: int) -> Iterator[Line]:
    verdict = note.verdict
    yield []
    yield [
        (f"{wording.VERDICT}: ", "bold"),
        (verdict.code, "bold"),
        (f", {wording.CONFIDENCE[verdict.confidence]}{wording.rests_on(verdict)}", ""),
    ]
    if verdict.finding is None:
        yield from bullets(verdict.reasons, width)
        for step in verdict.next_steps:
            yield from paragraph(wording.action(step), width, indent="  > ", hanging="    ")


def _beside(note: Note, width: int) -> Iterator[Line]:
    if note.beside is None:
        return
    compared, clock = note.beside.comparison, note.clock
    said = paragraph(compared.sentence, width, indent="  ")
    then = comparing.verdict_then(compared)
    said += paragraph(then, width, indent="  ") if then else []
    said += bullets(compared.doubts, width)
    yield from _section(comparing.heading(compared, clock), said)
    for columns, rows in (comparison.figure_table(compared, clock), comparison.shift_table(compared, clock)):
        if rows:
            yield []
            yield from table(columns, rows, left=comparison.NAMES, width=width)
    for chart in note.beside.charts:
        yield from _section(comparing.chart_title(chart, clock), chart_lines(chart, clock, width))


def _findings(note: Note, width: int) -> Iterator[Line]:
    yield []
    yield [(wording.FINDINGS, "bold")]
    if not note.findings:
        yield from paragraph(wording.NO_FINDINGS, width, indent="  ")
    clock = note.clock
    for number, finding in enumerate(note.findings, 1):
        if number > 1:
            yield []
        yield from _finding(number, finding, clock, note.window_ms, width)


def _finding(number: int, finding: Finding, clock: Clock, window_ms: Span, width: int) -> Iterator[Line]:
    lead = f"  {number}. "
    indent = " " * len(lead)
    head: Line = [
        (lead, ""),
        (wording.SEVERITIES[finding.severity].upper(), _SEVERITY_STYLES[finding.severity]),
        (f" {finding.code}", "bold"),
    ]
    facts = " | ".join(wording.finding_facts(finding, clock, window_ms))
    if sum(cell_len(text) for text, _ in head) + len(" | ") + cell_len(facts) <= width:
        yield [*head, (f" | {facts}", "")]
    else:
        yield head
        yield from paragraph(facts, width, indent=indent)
    yield from paragraph(finding.summary, width, indent=indent)
    rows = figures.evidence_rows(finding, clock)
    if rows:
        told = "; ".join(figures.pair(name, value) for name, value in rows)
        yield from _labelled(wording.FIGURES, told, width, indent)
    for name, value in figures.who_rows(finding):
        yield from _labelled(name, value, width, indent)
    for text in finding.doubts:
        yield from _labelled(wording.DOUBT, text, width, indent)
    for step in finding.actions:
        yield from paragraph(wording.action(step), width, indent=f"{indent}> ", hanging=f"{indent}  ")


def _charts(note: Note, width: int) -> Iterator[Line]:
    if not note.charts:
        return
    clock = note.clock
    yield []
    yield [(wording.CHARTS, "bold")]
    for chart in note.charts:
        yield from chart_lines(chart, clock, width)
        yield []
    yield from paragraph(TEXT_LEGEND, width, indent="  ")


def _ranking(heading: str, first: str, ranked: Sequence[Ranked], width: int) -> Iterator[Line]:
    if not ranked:
        return
    columns, rows = figures.ranked_table(first, ranked)
    lines = table(columns, rows, left=len(columns) - figures.RANKED_FIGURES, width=width)
    more = figures.more_rows(ranked)
    if more:
        lines += paragraph(more, width, indent="  ")
    yield from _section(heading, lines)
