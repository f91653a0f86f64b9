"""The one-page form of a note: the client's part, the verdict and one picture, because that is what gets sent.

What is left out are figures, tables and method, never a doubt: whatever keeps the verdict from being surer, what bounds the
figures, and other findings that matter are all named.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.diagnoser.finding import Finding
from flowdiag.note.lead import lead
from flowdiag.note.model import Chart, ClientPart, Note
from flowdiag.text.escape import terminal
from flowdiag.text.wording import brief as brief_words
from flowdiag.text.wording import comparison as comparing
from flowdiag.text.wording import note as wording

# Of what the client said, and of that with the time looked at; the full note has all of it.
MOST_REPORTED: Final = 400
MOST_TOLD: Final = 600
# Of the findings beside the verdict's, the gravest; the rest is counted.
MOST_NAMED: Final = 8


class Section(Struct, frozen=True):
    """A heading and the sentences below it; at least one."""

    heading: str
    sentences: tuple[str, ...]


class Brief(Struct, frozen=True):
    """note: with no more than one picture, which is chart; sections: the engineer's part."""

    note: Note
    chart: Chart | None
    verdict: str
    sections: tuple[Section, ...]


def shortened(note: Note) -> Brief:
    """The short form of a note: nothing in it is computed or worded anew."""
    chart = lead(note)
    verdict = note.verdict
    sections = (
        *_beside(note),
        Section(brief_words.RESTS_ON, tuple(_grounds(note))),
        Section(brief_words.DOUBTS, _once(doubt for finding in told(note) for doubt in finding.doubts)),
        Section(brief_words.TO_DO, tuple(map(wording.action, verdict.next_steps))),
        Section(brief_words.BESIDES, tuple(_besides(note))),
        Section(brief_words.BOUNDS, _once(_bounds(note))),
    )
    return Brief(
        note=replace(note, client=_client(note), charts=(chart,) if chart else (), stack=None, beside=None),
        chart=chart,
        verdict=f"{verdict.code}, {wording.CONFIDENCE[verdict.confidence]}",
        sections=tuple(section for section in sections if section.sentences),
    )


def _beside(note: Note) -> Iterator[Section]:
    """What the comparison with another time says, where there is one."""
    if note.beside is not None:
        compared = note.beside.comparison
        then = comparing.verdict_then(compared)
        heading = comparing.heading(compared, note.clock)
        yield Section(heading, (compared.sentence, *((then,) if then else ()), *compared.doubts))


def _client(note: Note) -> ClientPart:
    """The client's part, with as much of what the client said as one page needs."""
    if note.reported is None:
        return note.client
    said = terminal(note.reported, longest=MOST_REPORTED)
    told = note.client.told.replace(note.reported, said)
    return replace(note.client, told=terminal(told, longest=MOST_TOLD))


def told(note: Note) -> tuple[Finding, ...]:
    """The findings that the verdict rests on and tells: the first of the note's."""
    verdict = note.verdict
    return note.findings[: 0 if verdict.finding is None else 1 + len(verdict.also)]


def _grounds(note: Note) -> Iterator[str]:
    if note.verdict.finding is None:
        yield from note.verdict.reasons
    for finding in told(note):
        yield f"{finding.code}, {wording.CONFIDENCE[finding.confidence]}: {finding.summary}"


def _besides(note: Note) -> Iterator[str]:
    """Each other finding that matters by its place, time and confidence; those for context are counted."""
    others = note.findings[len(told(note)) :]
    weighty = [finding for finding in others if finding.severity != "info"]
    for finding in weighty[:MOST_NAMED]:
        facts = ", ".join(wording.finding_facts(finding, note.clock, note.window_ms))
        yield f"{wording.SEVERITIES[finding.severity]}: {finding.code}, {facts}"
    if len(weighty) > MOST_NAMED:
        yield brief_words.more_that_matter(len(weighty) - MOST_NAMED)
    if len(others) > len(weighty):
        yield brief_words.for_context(len(others) - len(weighty))


def _bounds(note: Note) -> Iterator[str]:
    yield "; ".join(f"{name}: {figure}" for name, figure in wording.coverage_rows(note.coverage, note.clock))
    yield from note.coverage.notes
    yield from note.cautions


def _once(sentences: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(sentences))
