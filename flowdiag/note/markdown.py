"""The note as Markdown that pastes into a ticket: CommonMark and pipe tables, no HTML, no images."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from flowdiag.aggregator.figures import Ranked
from flowdiag.diagnoser.finding import Finding
from flowdiag.durations import Span
from flowdiag.note import comparison, figures
from flowdiag.note.brief import Brief, shortened
from flowdiag.note.layout import PLAIN_WIDTH, plain
from flowdiag.note.model import Note
from flowdiag.note.text_chart import chart_lines
from flowdiag.text.clock import Clock
from flowdiag.text.escape import markdown as escaped
from flowdiag.text.wording import brief as brief_words
from flowdiag.text.wording import comparison as comparing
from flowdiag.text.wording import note as wording
from flowdiag.text.wording.figures import LINK_COLUMNS
from flowdiag.text.wording.pictures import TEXT_LEGEND


def render(note: Note) -> str:
    """Blocks parted by blank lines; one line a paragraph, since ticket systems keep line ends."""
    return "\n\n".join(_blocks(note)) + "\n"


def render_brief(note: Note) -> str:
    """The short form; its picture is of block characters, in a block of code."""
    return "\n\n".join(_brief_blocks(shortened(note))) + "\n"


def render_client(note: Note) -> str:
    """The client's part alone."""
    return "\n\n".join(_client_blocks(note)) + "\n"


def _brief_blocks(short: Brief) -> Iterator[str]:
    yield from _client_blocks(short.note)
    yield f"## {wording.FOR_ENGINEER}"
    yield f"**{wording.VERDICT}: {escaped(short.verdict)}**"
    for section in short.sections:
        yield f"### {section.heading}"
        yield _list(section.sentences)
    if short.chart is not None:
        yield f"### {wording.CHARTS}"
        yield _code(plain(chart_lines(short.chart, short.note.clock, PLAIN_WIDTH)))
        yield TEXT_LEGEND
    yield brief_words.FULL_NOTE


def _code(text: str) -> str:
    """A fenced block (CommonMark 4.5) that nothing in the text can end: the fence is longer than any in it."""
    fence = "`" * max([3, *(len(run) + 1 for run in re.findall("`+", text))])
    return f"{fence}\n{text}{fence}"


def _blocks(note: Note) -> Iterator[str]:
    yield from _client_blocks(note)
    yield f"## {wording.FOR_ENGINEER}"
    yield from _verdict(note)
    yield from _beside(note)
    yield f"### {wording.FINDINGS}"
    if not note.findings:
        yield wording.NO_FINDINGS
    clock = note.clock
    for number, finding in enumerate(note.findings, 1):
        yield from _finding(number, finding, clock, note.window_ms)
    if note.links:
        yield f"### {wording.LINKS}"
        yield _table(LINK_COLUMNS, figures.link_rows(note.links, note.window_ms), left=2)
    yield from _ranking(wording.TALKERS, wording.ADDRESS, note.talkers)
    yield from _ranking(wording.APPLICATIONS, wording.APPLICATION, note.applications)
    yield from _ranking(wording.DESTINATIONS, wording.ADDRESS, note.destinations)
    yield f"### {wording.COVERAGE}"
    named = [f"{name}: {value}" for name, value in wording.coverage_rows(note.coverage, clock)]
    yield _list([*named, *note.coverage.notes])
    for heading, sentences in (
        (wording.CAUTIONS, note.cautions),
        (wording.METHOD, note.method),
        (wording.UNSEEN, note.unseen),
    ):
        if sentences:
            yield f"### {heading}"
            yield _list(sentences)


def _client_blocks(note: Note) -> Iterator[str]:
    yield f"# {escaped(wording.title(note.ticket, note.site))}"
    yield escaped(wording.subtitle(note.window_ms, note.clock))
    yield f"## {wording.FOR_CLIENT}"
    client = note.client
    for heading, sentences in (
        (wording.TOLD, (client.told,)),
        (wording.SAW, client.saw),
        (wording.MEANS, (client.means,)),
        (wording.NEXT, client.next),
    ):
        yield f"### {heading}"
        yield escaped(" ".join(sentences))


def _verdict(note: Note) -> Iterator[str]:
    verdict = note.verdict
    yield f"**{wording.VERDICT}: {escaped(verdict.code)}**, {wording.CONFIDENCE[verdict.confidence]}{wording.rests_on(verdict)}"
    if verdict.finding is None:
        yield _list([*verdict.reasons, *map(wording.action, verdict.next_steps)])


def _beside(note: Note) -> Iterator[str]:
    if note.beside is None:
        return
    compared, clock = note.beside.comparison, note.clock
    yield f"### {comparing.heading(compared, clock)}"
    yield escaped(compared.sentence)
    then = comparing.verdict_then(compared)
    said = [*([then] if then else []), *compared.doubts]
    if said:
        yield _list(said)
    for columns, rows in (comparison.figure_table(compared, clock), comparison.shift_table(compared, clock)):
        if rows:
            yield _table(columns, rows, left=comparison.NAMES)


def _finding(number: int, finding: Finding, clock: Clock, window_ms: Span) -> Iterator[str]:
    severity = wording.SEVERITIES[finding.severity]
    facts = ", ".join(wording.finding_facts(finding, clock, window_ms))
    yield f"#### {number}. {severity}: {escaped(finding.code)}"
    yield escaped(facts)
    yield escaped(finding.summary)
    told = "; ".join(figures.pair(name, value) for name, value in figures.evidence_rows(finding, clock))
    rows = [(wording.FIGURES, told)] if told else []
    rows += [*figures.who_rows(finding), *((wording.DOUBT, text) for text in finding.doubts)]
    items = [f"{name}: {value}" for name, value in rows]
    items += [f"{wording.TO_DO}: {wording.action(step)}" for step in finding.actions]
    if items:
        yield _list(items)


def _list(items: Sequence[str]) -> str:
    return "\n".join(f"- {escaped(item)}" for item in items)


def _table(columns: Sequence[str], rows: Sequence[Sequence[str]], *, left: int) -> str:
    """The first `left` columns to the left, the others to the right."""
    rule = ["---" if i < left else "---:" for i in range(len(columns))]
    lines = [rule, *([escaped(cell) for cell in row] for row in rows)]
    return "\n".join(f"| {' | '.join(line)} |" for line in [list(columns), *lines])


def _ranking(heading: str, first: str, ranked: Sequence[Ranked]) -> Iterator[str]:
    if not ranked:
        return
    columns, rows = figures.ranked_table(first, ranked)
    yield f"### {heading}"
    yield _table(columns, rows, left=len(columns) - figures.RANKED_FIGURES)
    more = figures.more_rows(ranked)
    if more:
        yield escaped(more)
