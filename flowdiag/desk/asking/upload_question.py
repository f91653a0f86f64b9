"""An uploaded export: what is in it with a guess of its site, and its note. Nobody but its file says what the answers are."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct

from flowdiag.desk.asking.note_question import NoteAnswer, as_answer
from flowdiag.desk.asking.question import Progress, Question
from flowdiag.errors import ExportError, FlowdiagError, OtherExporters
from flowdiag.text.wording.desk import upload as wording

if TYPE_CHECKING:
    from flowdiag.draft.keepalives import Candidate
    from flowdiag.draft.proposal import LinkGuess
    from flowdiag.inspection import Inspection

MOST_LISTED: Final = 10  # exporters, problems
MOST_NETWORKS: Final = 40
MOST_KEEPALIVES: Final = 8  # of all links


class KeepaliveGuess(Struct, frozen=True):
    """As the profile has it, in texts of a form."""

    destination: str
    protocol: str
    port: str
    interval_s: str
    packet_bytes: str


class LineGuess(Struct, frozen=True):
    """name, role, interfaces: as the profile has them, in texts of a form; down, up: the highest rates seen, in words; reason,
    alternative: of the role."""

    name: str
    role: str
    interfaces: str
    down: str
    up: str
    reason: str
    alternative: str
    keepalives: tuple[KeepaliveGuess, ...]


class UploadSeen(Struct, frozen=True):
    """figures: name and value of each; first_ms, last_ms: of the flows, ms since 1970 UTC; problems: what was left out or read
    with doubt; lan, exporters, lines: of the draft."""

    figures: tuple[tuple[str, str], ...]
    first_ms: int | None
    last_ms: int | None
    problems: tuple[str, ...]
    lan: tuple[str, ...]
    exporters: tuple[str, ...]
    lines: tuple[LineGuess, ...]


class _OfUpload(Question, frozen=True):
    """file: where the upload lies, in a folder of its own; name: what people call it."""

    file: str
    name: str

    @property
    def long(self) -> bool:
        return True

    def state(self) -> str | None:
        try:
            stat = os.stat(self.file)
        except OSError:
            raise ExportError(wording.GONE) from None
        return f"{stat.st_size} {stat.st_mtime_ns}"


class UploadQuestion(_OfUpload, frozen=True):
    """What is in it, and what its site may be."""

    def answer(self, progress: Progress) -> UploadSeen:
        """Raises ExportError for what is no export, or one without a flow record."""
        from flowdiag.draft.proposal import draft_profile
        from flowdiag.inspection import inspect_export

        with within(self.file, self.name) as file:
            inspection = inspect_export([file], progress)
            if not inspection.records:
                raise ExportError(wording.NO_RECORDS, file=file, advice=wording.ADVICE)
            draft = draft_profile([file], progress)
        return UploadSeen(
            figures=tuple(_figures(inspection, os.stat(self.file).st_size)),
            first_ms=inspection.first_ms,
            last_ms=inspection.last_ms,
            problems=tuple(
                wording.problem(one.what, one.count) for one in inspection.report.problems[:MOST_LISTED]
            ),
            lan=tuple(str(one.network) for one in draft.prefixes[:MOST_NETWORKS] if one.proposed),
            exporters=tuple(_exporters(draft.exporters)),
            lines=tuple(_lines(draft.links)),
        )


class UploadNoteQuestion(_OfUpload, frozen=True):
    """Its note. site: file of the profile of a site of the desk; digest: of that file; profile: else the profile as JSON;
    window_from, window_to: words of time, None for all of it."""

    site: str | None
    digest: str | None
    profile: str | None
    window_from: str | None
    window_to: str | None
    reported: str | None
    ticket: str | None

    def answer(self, progress: Progress) -> NoteAnswer:
        """Raises what pipeline.run() raises."""
        from flowdiag.note.compose import compose
        from flowdiag.pipeline import run
        from flowdiag.site.profile import Profile
        from flowdiag.site.reading import read_profile

        if self.site is not None:
            profile = read_profile(self.site)
        else:
            profile = Profile.model_validate(json.loads(self.profile or "{}"))
        with within(self.file, self.name) as file:
            try:
                diagnosis = run(
                    [file],
                    profile,
                    window_from=self.window_from,
                    window_to=self.window_to,
                    reported=self.reported,
                    progress=progress,
                )
            except OtherExporters:
                known = self.site is not None
                raise ExportError(
                    wording.other_site(profile.site.exporters) if known else wording.OTHER_EXPORTER
                ) from None
            return as_answer(compose(diagnosis, ticket=self.ticket))


@contextmanager
def within(file: str, name: str) -> Iterator[str]:
    """The file by a name without a folder, so that none is told to anybody; what is written meanwhile lies beside it and goes
    with it. Errors call the file as people do."""
    place, before, temporary = Path(file), Path.cwd(), tempfile.tempdir
    try:
        os.chdir(place.parent)
    except OSError:
        raise ExportError(wording.GONE) from None
    tempfile.tempdir = str(place.parent)
    try:
        yield place.name
    except FlowdiagError as error:
        if error.file is not None:
            error.file = name
        raise
    finally:
        tempfile.tempdir = temporary
        os.chdir(before)


def _figures(inspection: Inspection, octets: int) -> Iterator[tuple[str, str]]:
    from flowdiag.inspection import exporter_text

    report = inspection.report
    exporters = sorted({exporter_text(session.exporter) or "" for session in report.sessions} - {""})
    yield wording.SIZE, wording.size(octets)
    yield wording.RECORDS, wording.records(inspection.records)
    if exporters:
        yield wording.EXPORTERS, ", ".join(exporters[:MOST_LISTED])
    yield (
        wording.RESOLUTION,
        wording.resolution(inspection.resolution_s, known=inspection.resolution_known),
    )
    if report.lost_records:
        yield wording.LOST, wording.lost(report.lost_records)


def _exporters(found: tuple[tuple[bytes, float], ...]) -> Iterator[str]:
    """The site's own: the first, if the export tells it."""
    from flowdiag.addresses import UNKNOWN_ADDRESS, to_text

    if found and found[0][0] != UNKNOWN_ADDRESS:
        yield to_text(found[0][0])


def _lines(links: tuple[LinkGuess, ...]) -> Iterator[LineGuess]:
    from flowdiag.text.figures import rate

    left = MOST_KEEPALIVES
    for link in links:
        keepalives = tuple(map(_keepalive, link.keepalives[:left]))
        left -= len(keepalives)
        down, up = (rate(highest.mbps) for highest in link.highest)
        yield LineGuess(
            name=link.name,
            role=link.role,
            interfaces="" if link.interface is None else str(link.interface),
            down=down,
            up=up,
            reason=link.guess.reason,
            alternative=link.guess.alternative,
            keepalives=keepalives,
        )


def _keepalive(candidate: Candidate) -> KeepaliveGuess:
    from flowdiag.addresses import to_text

    octets: Any = candidate.packet_bytes
    return KeepaliveGuess(
        destination=to_text(candidate.destination),
        protocol=candidate.protocol,
        port=str(candidate.port) if candidate.port else "",
        interval_s=f"{candidate.interval_s:g}",
        packet_bytes="" if octets is None else str(octets),
    )
