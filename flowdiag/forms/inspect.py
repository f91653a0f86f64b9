"""`flowdiag inspect` as text: rich tables on a terminal, the same tables without colour in a pipe.

Names come from the network, so every one goes through the escaper, and none is read as markup.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from typing import Final, TypeVar

from rich import box
from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from flowdiag.collector.report import SessionReport, TemplateReport
from flowdiag.inspection import Inspection, exporter_text, iso_time
from flowdiag.text.escape import terminal
from flowdiag.text.wording import inspect as wording

WIDTH: Final = 100  # in a pipe or a file
# A clock that is off by less is not worth an engineer's look (common practice, no source).
CLOCK_OFFSET_WORTH_NAMING_MS: Final = 5_000
VARIABLE_LENGTH: Final = 65_535  # RFC 7011 7

_PROTOCOL_NAMES: Final = {"ipfix": "IPFIX", "netflow9": "NetFlow v9", "netflow5": "NetFlow v5"}
_Item = TypeVar("_Item")


def render(inspection: Inspection, limit: int, *, templates: bool = False, on_terminal: bool) -> str:
    """What people look for first, templates last; lists longer than limit are cut and say so (0: no limit).

    templates: all of them with their fields; else a line for each, those with most records first. on_terminal: as wide
    as the terminal and styled; else plain and WIDTH columns wide.
    """
    file = io.StringIO()
    console = Console(file=file, force_terminal=on_terminal, width=None if on_terminal else WIDTH)
    for number, section in enumerate(_sections(inspection, limit, templates=templates)):
        if number == 1:  # tables end with a blank line of their own, the summary does not
            console.print()
        console.print(section)
    # Tables pad their lines with blanks, which are noise in a pipe and in a pasted text.
    return "".join(line.rstrip() + "\n" for line in file.getvalue().splitlines())


def _sections(inspection: Inspection, limit: int, *, templates: bool) -> Iterator[RenderableType]:
    report = inspection.report
    yield _summary(inspection)
    yield _sessions(inspection, limit)
    if inspection.interfaces:
        yield _table(
            wording.INTERFACES,
            wording.INTERFACE_COLUMNS,
            inspection.interfaces,
            limit,
            lambda interface: [
                _exporter(interface.exporter),
                str(interface.index),
                terminal(interface.name),
                terminal(interface.description),
                f"{interface.octets_in:,}",
                f"{interface.octets_out:,}",
            ],
        )
    if report.problems:
        yield _table(
            wording.PROBLEMS,
            wording.PROBLEM_COLUMNS,
            report.problems,
            limit,
            lambda problem: [
                terminal(problem.file),
                "" if problem.offset is None else str(problem.offset),
                terminal(problem.what),
                f"{problem.count:,}",
            ],
        )
    if report.losses:
        yield _table(
            wording.LOSSES,
            wording.LOSS_COLUMNS,
            report.losses,
            limit,
            lambda loss: [
                iso_time(loss.time_ms) or "",
                _exporter(loss.exporter),
                str(loss.domain),
                wording.RESTART if loss.restarted else f"{loss.messages:,}",
                wording.UNKNOWN if loss.restarted else f"{loss.records:,}",
            ],
        )
    notes = [*report.notes, *_clock_notes(inspection.sessions), *_session_notes(inspection.sessions)]
    if notes:
        yield _table(
            wording.NOTES, wording.NOTE_COLUMNS, notes, limit, lambda note: [terminal(note)], header=False
        )
    told = [(session, one) for session in inspection.sessions for _, one in sorted(session.templates.items())]
    if told and notes:
        yield Text()  # notes have no blank line of their own
    if told:
        yield _templates(told) if templates else _folded_templates(told, limit)


def _summary(inspection: Inspection) -> Table:
    report = inspection.report
    scaled = inspection.octets_scaled if inspection.sampled else None
    estimate = any(session.lost_is_estimate for session in report.sessions)
    partly = estimate and report.lost_records > 0
    rows = [
        (wording.RECORDS, f"{inspection.records:,}"),
        (wording.OCTETS, wording.octets(inspection.octets, scaled)),
        (wording.PACKETS, f"{inspection.packets:,}"),
        (wording.FIRST, iso_time(inspection.first_ms) or wording.NO_TIMES),
        (wording.LAST, iso_time(inspection.last_ms) or wording.NO_TIMES),
        (
            wording.ACTIVE_TIMEOUT,
            wording.active_timeout(inspection.resolution_s, known=inspection.resolution_known),
        ),
        (wording.LOST, wording.lost(report.lost_messages, report.lost_records, estimate=partly)),
        (wording.UNDECODED, wording.undecoded(report.undecoded_sets, report.undecoded_records)),
    ]
    if report.impossible_times:
        rows.append((wording.IMPOSSIBLE_TIMES, wording.records(report.impossible_times)))
    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_column(style="bold")
    table.add_column()
    for name, value in rows:
        table.add_row(Text(name), Text(value))
    return table


def _sessions(inspection: Inspection, limit: int) -> Table:
    return _table(
        wording.SESSIONS,
        wording.SESSION_COLUMNS,
        inspection.sessions,
        limit,
        lambda session: [
            _exporter(session.exporter),
            str(session.port),
            str(session.domain),
            _PROTOCOL_NAMES[session.protocol],
            f"{session.messages:,}",
            f"{session.records:,}",
            f"{session.octets:,}",
            f"{session.lost_records:,}",
            wording.sampling(session.sampling),
        ],
    )


Template = tuple[SessionReport, TemplateReport]


def _templates(told: Sequence[Template]) -> Table:
    return _table(
        wording.TEMPLATES,
        [*wording.TEMPLATE_COLUMNS, wording.FIELDS],
        told,
        0,
        lambda one: [*_template(one), _fields(one[1])],
    )


def _folded_templates(told: Sequence[Template], limit: int) -> Table:
    return _table(
        wording.FOLDED_TEMPLATES,
        [*wording.TEMPLATE_COLUMNS, f"{wording.FIELDS}:r"],
        sorted(told, key=lambda one: -one[1].records),
        limit,
        lambda one: [*_template(one), str(len(one[1].fields))],
        more=wording.ALL_TEMPLATES,
    )


def _template(one: Template) -> list[str]:
    session, template = one
    return [
        _exporter(session.exporter),
        str(session.domain),
        str(template.id),
        wording.OPTIONS if template.scope_fields else wording.DATA,
        f"{template.records:,}",
    ]


def _fields(template: TemplateReport) -> str:
    parts = []
    for field in template.fields:
        name = terminal(field.name) if field.name else wording.element(field.id)
        if field.enterprise:
            name = wording.of_enterprise(name, field.enterprise)
        parts.append(f"{name} {wording.VARIABLE if field.length == VARIABLE_LENGTH else field.length}")
    return ", ".join(parts)


def _clock_notes(sessions: Sequence[SessionReport]) -> Iterator[str]:
    for session in sessions:
        offset = session.clock_offset_ms
        if offset is not None and abs(offset) > CLOCK_OFFSET_WORTH_NAMING_MS:
            yield wording.clock_off(_exporter(session.exporter), offset)


def _session_notes(sessions: Sequence[SessionReport]) -> Iterator[str]:
    for session in sessions:
        name = wording.session(_exporter(session.exporter), session.domain)
        if session.sampling_note:
            yield f"{name}: {session.sampling_note}"
        if session.sequence_reading:
            yield f"{name}: {wording.sequence_read_as(session.sequence_reading)}"
        if session.duplicates:
            yield f"{name}: {wording.came_twice(session.duplicates)}"
        if session.restarts:
            yield f"{name}: {wording.restarted(session.restarts)}"


def _exporter(exporter: bytes) -> str:
    return exporter_text(exporter) or wording.NOT_TOLD


def _table(
    title: str,
    columns: Sequence[str],
    items: Sequence[_Item],
    limit: int,
    row: Callable[[_Item], Sequence[str]],
    *,
    header: bool = True,
    more: str = wording.ALL_ROWS,
) -> Table:
    """A table of items; a column name that ends in ":r" is right-aligned. more: what to do where the list is cut."""
    table = Table(
        title=title,
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD if header else None,
        show_header=header,
        pad_edge=False,
    )
    for column in columns:
        name, _, side = column.partition(":")
        table.add_column(name, justify="right" if side else "left", overflow="fold")
    shown = items[:limit] if limit else items
    for item in shown:
        table.add_row(*(Text(cell) for cell in row(item)))
    if len(shown) < len(items):
        table.caption = wording.more(len(items) - len(shown), more)
        table.caption_justify = "left"
    return table
