"""What `flowdiag inspect` says around its figures; a column whose name ends in ":r" is set to the right."""

from __future__ import annotations

from typing import Final

from flowdiag.text.figures import count

INTERFACES: Final = "Interfaces (octets as exported, by ingress and egress)"
INTERFACE_COLUMNS: Final = ("exporter", "index:r", "name", "description", "octets in:r", "octets out:r")
PROBLEMS: Final = "Problems (left out or read with doubt)"
PROBLEM_COLUMNS: Final = ("file", "offset:r", "what", "count:r")
LOSSES: Final = "Losses (gaps in the sequence numbers)"
LOSS_COLUMNS: Final = ("noticed at", "exporter", "domain:r", "messages:r", "records:r")
RESTART: Final = "restart"
UNKNOWN: Final = "unknown"
NOTES: Final = "Notes"
NOTE_COLUMNS: Final = ("note",)
SESSIONS: Final = "Exporters and observation domains"
SESSION_COLUMNS: Final = (
    *(
        "exporter",
        "port:r",
        "domain:r",
        "protocol",
        "messages:r",
        "records:r",
        "octets:r",
        "lost:r",
        "sampling:r",
    ),
)
EVERY_PACKET: Final = "none"
TEMPLATES: Final = "Templates (element names with their octets)"
FOLDED_TEMPLATES: Final = "Templates (--templates shows their fields)"
TEMPLATE_COLUMNS: Final = ("exporter", "domain:r", "id:r", "kind", "records:r")
FIELDS: Final = "fields"
OPTIONS: Final = "options"
DATA: Final = "data"
VARIABLE: Final = "variable"
ALL_TEMPLATES: Final = "--templates shows all"
ALL_ROWS: Final = "-n 0 shows all"
NOT_TOLD: Final = "not told"
NO_TIMES: Final = "no times in the export"

RECORDS: Final = "Records"
OCTETS: Final = "Octets"
PACKETS: Final = "Packets"
FIRST: Final = "First flow"
LAST: Final = "Last flow"
ACTIVE_TIMEOUT: Final = "Active timeout"
LOST: Final = "Lost"
UNDECODED: Final = "Undecoded"
IMPOSSIBLE_TIMES: Final = "Impossible times"


def octets(exported: int, scaled: int | None) -> str:
    """scaled: for sampling, None where every packet was counted."""
    return f"{exported:,}" if scaled is None else f"{exported:,} as exported, {scaled:,} scaled for sampling"


def lost(messages: int, records: int, *, estimate: bool) -> str:
    partly = " (partly estimated)" if estimate else ""
    return f"{count(messages, 'message')}, {count(records, 'record')}{partly}"


def active_timeout(seconds: int, *, known: bool) -> str:
    return f"{seconds} s" if known else f"{seconds} s (assumed: too few long flows to tell)"


def undecoded(sets: int, records: int) -> str:
    return f"{count(sets, 'set')}, {count(records, 'record')}"


def records(number: int) -> str:
    return count(number, "record")


def sampling(one_in: float) -> str:
    return EVERY_PACKET if one_in == 1 else f"1 in {one_in:g}"


def element(number: int) -> str:
    """An information element without a known name."""
    return f"element {number}"


def of_enterprise(name: str, enterprise: int) -> str:
    return f"{name} of enterprise {enterprise}"


def clock_off(exporter: str, offset_ms: int) -> str:
    """offset_ms: how far the exporter's clock is behind the capture's."""
    return (
        f"the clock of exporter {exporter} is {abs(offset_ms) / 1000:.1f} s "
        f"{'behind' if offset_ms > 0 else 'ahead of'} the capture's clock"
    )


def session(exporter: str, domain: int) -> str:
    return f"{exporter} domain {domain}"


def sequence_read_as(reading: str) -> str:
    return f"sequence numbers read as {reading}"


def came_twice(messages: int) -> str:
    return f"{count(messages, 'message')} came more than once and counted once"


def restarted(times: int) -> str:
    return f"restarted {count(times, 'time')}"


def interfaces_left_out(listed: int) -> str:
    return f"octets of interfaces beyond the first {listed} are not listed"


def more(left: int, how: str) -> str:
    """how: to see them."""
    return f"{left:,} more; {how}"
