"""The report of a pass over an export: sessions, losses, names, problems; everything besides the flow records.

Filled by readers and decoder, read by `inspect`, the coverage part of the note, and the diagnoser.
Times are ms since 1970 UTC by the exporter's clock (export time of messages) unless said otherwise.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct, field
from msgspec.structs import replace

Protocol = Literal["ipfix", "netflow9", "netflow5"]


class FieldSpec(Struct, frozen=True):
    """One field of a template. enterprise 0 is the IANA registry; length 65535 in IPFIX is variable (RFC 7011 7)."""

    id: int
    enterprise: int
    name: str
    length: int


class TemplateReport(Struct):
    id: int
    fields: tuple[FieldSpec, ...]
    scope_fields: int = 0  # > 0: an options template
    records: int = 0
    redefined: int = 0


class LossEvent(Struct, frozen=True):
    """A gap in the sequence numbers, noticed at time_ms (export time of the message after the gap).

    since_ms: export time of the message before it, None if not known. restarted: the exporter began to count anew;
    what it held in its cache is lost, and nothing says how much: messages and records are 0.
    """

    exporter: bytes
    domain: int
    time_ms: int
    messages: int
    records: int
    since_ms: int | None = None
    restarted: bool = False


class SessionReport(Struct):
    """One observation domain of one transport session.

    records, octets, packets count flow records as exported (unscaled); octets_scaled after sampling.
    """

    exporter: bytes
    port: int
    domain: int
    protocol: Protocol
    messages: int = 0
    records: int = 0
    option_records: int = 0
    octets: int = 0
    packets: int = 0
    octets_scaled: int = 0
    lost_messages: int = 0
    lost_records: int = 0
    lost_is_estimate: bool = False
    sequence_reading: str = ""  # which reading of the sequence numbers the stream supports
    duplicates: int = 0
    restarts: int = 0
    undecoded_sets: int = 0
    undecoded_records: int = 0  # as far as they can be counted
    sampling: float = 1.0
    sampling_note: str = ""
    active_timeout_s: int | None = None  # as announced by options (36)
    idle_timeout_s: int | None = None  # (37)
    first_export_ms: int | None = None
    last_export_ms: int | None = None
    clock_offset_ms: int | None = None  # median of capture time minus export time; None without capture times
    templates: dict[int, TemplateReport] = field(default_factory=dict)


class InterfaceReport(Struct):
    exporter: bytes
    index: int
    name: str = ""
    description: str = ""


class Problem(Struct):
    """Something in the input that was left out or read with doubt; the same kind is counted, first offset kept."""

    file: str
    offset: int | None
    what: str
    count: int = 1


class ExportReport(Struct):
    """All that a pass over one or more inputs learned. Complete only after the pass."""

    sessions: list[SessionReport] = field(default_factory=list)
    interfaces: dict[tuple[bytes, int], InterfaceReport] = field(default_factory=dict)
    applications: dict[str, str] = field(default_factory=dict)  # "engine:selector" -> name
    losses: list[LossEvent] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    # minutes (Unix time // 60, exporter's clock) in which any message of the exporter came, data or not
    heard_minutes: dict[bytes, set[int]] = field(default_factory=dict)
    impossible_times: int = (
        0  # records whose times were set to null: end before start, future, over a day old
    )
    notes: list[str] = field(default_factory=list)

    def copy(self) -> ExportReport:
        """One that can be added to, beside this one."""
        return ExportReport(
            sessions=[replace(session, templates=dict(session.templates)) for session in self.sessions],
            interfaces=dict(self.interfaces),
            applications=dict(self.applications),
            losses=list(self.losses),
            problems=[replace(problem) for problem in self.problems],
            heard_minutes={exporter: set(minutes) for exporter, minutes in self.heard_minutes.items()},
            impossible_times=self.impossible_times,
            notes=list(self.notes),
        )

    def problem(self, file: str, offset: int | None, what: str, count: int = 1) -> None:
        """Count a problem; the same file and wording is kept once, with its first offset."""
        for known in self.problems:
            if known.file == file and known.what == what:
                known.count += count
                return
        self.problems.append(Problem(file, offset, what, count))

    @property
    def lost_messages(self) -> int:
        return sum(s.lost_messages for s in self.sessions)

    @property
    def lost_records(self) -> int:
        return sum(s.lost_records for s in self.sessions)

    @property
    def undecoded_sets(self) -> int:
        return sum(s.undecoded_sets for s in self.sessions)

    @property
    def undecoded_records(self) -> int:
        return sum(s.undecoded_records for s in self.sessions)
