"""What a mail says, as text and as HTML: what began, goes on and ended, then each event with its sentences and note."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.note.templates import templates_in
from flowdiag.text.escape import terminal
from flowdiag.text.wording.watch import telling as words
from flowdiag.watch.as_json import note_address
from flowdiag.watch.event import Event
from flowdiag.watch.message import Message

INCIDENTS: Final = "/all-sites#incidents"  # of a desk
MOST_LISTED: Final = 1_000
MOST_WHOLE: Final = 5  # events that are told with their sentences and note
LONGEST_NOTE: Final = 100_000  # characters


class _Group(Struct, frozen=True):
    heading: str
    lines: tuple[str, ...]


class _Whole(Struct, frozen=True):
    """An event with all that is known of it; address: of its note at a desk, empty for none."""

    heading: str
    about: str
    client: str
    summary: str
    address: str
    note: tuple[str, ...]


class _Content(Struct, frozen=True):
    """silence: the address at which a desk takes acknowledgements and mutes, empty without a desk."""

    headline: str
    quiet: bool
    groups: tuple[_Group, ...]
    more: str
    wholes: tuple[_Whole, ...]
    key: str
    silence: str


def as_text(message: Message) -> str:
    content = _content(message)
    parts = [terminal(content.headline)]
    if content.quiet:
        parts.append(words.QUIET)
    parts += [
        "\n".join([f"{group.heading}:", *(f"- {terminal(line)}" for line in group.lines)])
        for group in content.groups
    ]
    parts += [content.more] if content.more else []
    for whole in content.wholes:
        lines = [
            *([terminal(whole.heading)] if len(content.wholes) > 1 else []),
            whole.about,
            f"{words.CLIENT}: {terminal(whole.client)}",
            f"{words.ENGINEER}: {terminal(whole.summary)}",
            *([f"{words.READ_NOTE}: {whole.address}"] if whole.address else []),
        ]
        parts.append("\n".join(lines))
        if whole.note:
            parts.append("\n".join(map(terminal, whole.note)))
    parts.append(f"{words.KEY}: {content.key}")
    parts += [f"{words.SILENCE}: {content.silence}"] if content.silence else []
    return "\n\n".join(parts) + "\n"


def as_html(message: Message) -> str:
    return (
        templates_in(Path(__file__).parent)
        .get_template("mail.html")
        .render(content=_content(message), words=words)
    )


def _content(message: Message) -> _Content:
    events = message.events
    listed = events[:MOST_LISTED] if len(events) > 1 else ()
    more = len(events) - MOST_LISTED
    incidents = {event.incident for event in events}
    return _Content(
        headline=words.headline(events, quiet=message.quiet),
        quiet=message.quiet,
        groups=_groups(listed),
        more=words.left_out(more) if more > 0 else "",
        wholes=tuple(_whole(event, message.desk) for event in _wholes(events)),
        silence="" if message.desk is None else message.desk + INCIDENTS,
        key=incidents.pop() if len(incidents) == 1 else ", ".join(sorted(incidents)[:MOST_WHOLE]),
    )


def _groups(events: Sequence[Event]) -> tuple[_Group, ...]:
    """By what became of each incident: of what began and ended meanwhile its end tells both."""
    begun = {event.key for event in events if event.state == "began"}
    ended = {event.key for event in events if event.state == "ended"}
    lines: dict[str, list[str]] = {state: [] for state in words.HEADINGS}
    for event in events:
        if event.key in ended:
            if event.state == "ended":
                lines["passed" if event.key in begun else "ended"].append(words.line(event))
        elif event.state == "began" or event.key not in begun:
            lines[event.state].append(words.line(event))
    return tuple(_Group(words.HEADINGS[state], tuple(told)) for state, told in lines.items() if told)


def _wholes(events: Sequence[Event]) -> list[Event]:
    """The last of each incident's, of the gravest first."""
    last = {event.key: event for event in events}
    order = list(words.SEVERITIES)
    return sorted(last.values(), key=lambda event: order.index(event.severity))[:MOST_WHOLE]


def _whole(event: Event, desk: str | None) -> _Whole:
    about = [words.SEVERITIES[event.severity], words.SURE[event.confidence]]
    about += [words.CORRECTED] if event.corrected else []
    note = (event.note or "")[:LONGEST_NOTE]
    return _Whole(
        heading=words.headline([event]),
        about=", ".join(about),
        client=event.client,
        summary=event.summary,
        address=note_address(desk, event) or "",
        note=tuple(note.rstrip().split("\n")) if note else (),
    )
