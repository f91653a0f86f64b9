"""An export that somebody brings: what is in it, whose it is, and its note."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from flowdiag.text.figures import count, volume

TITLE: Final = "Upload an export"
WHAT: Final = (
    "A capture of the router's flow export (pcap, pcapng), an IPFIX file or raw datagrams; plain or compressed by gzip, bzip2 or "
    "zstd. The content decides, not the name."
)
FILE: Final = "File"
DROP: Final = "Drop the file here, or choose it"
SEND: Final = "Read it"
SENDING: Final = "Sending the file"
NOTHING_KEPT: Final = (
    "Nothing of it is kept: it goes when you are done or sign out, a minute after you leave its page, or when you do not use it "
    "for half an hour."
)
NO_FILE: Final = "no file was chosen, or it is empty"
ONE_FILE: Final = "one file at a time"
NO_FORM: Final = "this is not the form of this page"
BROKEN: Final = "the file did not come whole; send it again"
TOO_MANY: Final = (
    "too many uploads are open at once: finish one of yours by “Done: delete the file”, or wait: each goes a minute after its "
    "page was left, and half an hour after it was used last"
)
NO_ROOM: Final = "there is no room for the file now; try again in some minutes"
GONE: Final = "there is no such upload any more: it was finished, or nobody used it for half an hour"
NOT_USABLE: Final = "Nothing in this file can be used as a router's flow export."
NO_RECORDS: Final = "holds no flow records"
ADVICE: Final = "capture until the router has exported some flows"

READING: Final = "Reading the export"
IN_IT: Final = "What is in it"
RECORDS: Final = "Flow records"
FIRST: Final = "First flow"
LAST: Final = "Last flow"
EXPORTERS: Final = "Exporters"
RESOLUTION: Final = "Active timeout"
LOST: Final = "Lost on the way"
SIZE: Final = "File"
PROBLEMS: Final = "Read with doubt"

WHOSE_LINES: Final = "Lines of the site"
WHOSE: Final = "Whose export is it?"
OF_THE_DESK: Final = "A site that the desk knows"
SITE: Final = "Name of the site"
SITE_HINT: Final = "Part of the name is enough if no other site has it."
NO_SITE: Final = "no site of yours has that in its name"
DRAFTED: Final = "A site that it does not know: check what was guessed from the export"
SITE_NAME: Final = "What the note calls the site"
TIMEZONE: Final = "Time zone"
TIMEZONE_HINT: Final = (
    "Of where the site is, such as Pacific/Auckland. No export tells it; the note tells all times in it."
)
LAN: Final = "Networks inside the site"
LAN_HINT: Final = "One a line, such as 192.168.40.0/24"
EXPORTER_ADDRESSES: Final = "Addresses of its exporters"
EXPORTERS_HINT: Final = "One a line; empty if all in the file are this site's"
LINE_NAME: Final = "Name"
ROLE: Final = "What it is"
ROLES: Final = (
    ("primary", "primary: a main line"),
    ("backup", "backup"),
    ("", "no line of the site"),
)
INTERFACES: Final = "Interface numbers"
INTERFACES_HINT: Final = "ifIndex on the router, such as 2 or 2, 3"
DOWN: Final = "Download of the plan, Mbit/s"
UP: Final = "Upload of the plan, Mbit/s"
VARIABLE: Final = "The rate is typical, not guaranteed, as on cellular"
KEEPALIVES: Final = "Looks like keepalives on an idle backup"
TAKE: Final = "It is a keepalive"
DESTINATION: Final = "Address"
PROTOCOL: Final = "Protocol"
PORT: Final = "Port"
INTERVAL: Final = "Seconds from one to the next"
PACKET_BYTES: Final = "IP octets of one"

ABOUT: Final = "What is it about?"
WHEN: Final = "When was it slow?"
WHEN_HINT: Final = "Empty for all of the export; else the site's own clock: 14:10-14:50, yesterday afternoon"
READ_NOTE: Final = "Read the note"
MENDED: Final = "Something is missing or cannot be used; it is said beside each field."
# What a note needs, by the field's name; those of a line without its number.
NEEDED: Final = {
    "site.name": "Missing: what the note is to call the site",
    "site.timezone": "Missing: the site's time zone, such as Pacific/Auckland",
}
NEEDED_OF_A_LINE: Final = {
    "name": "Missing: a name for this line",
    "down_mbps": "Missing: the plan's rate in Mbit/s",
    "up_mbps": "Missing: the plan's rate in Mbit/s",
}
NO_LINE: Final = "Missing: at least one line of the site"
OTHER_EXPORTER: Final = (
    "None of the addresses of the site's exporters is in this export. Correct them, or leave them out."
)

CHANGE: Final = "Change what was said about it"
KEEP: Final = "Keep this note"
KEEP_HINT: Final = "The desk keeps the note at an address for the ticket; the file goes."
SAVE_HINT: Final = "The desk does not know this site, so it does not keep its note. Save it:"
DONE: Final = "Done: delete the file"
FROM_UPLOAD: Final = "From an uploaded file, which goes when you are done."
SAVE_TEXT: Final = "Text"
SAVE_MARKDOWN: Final = "Markdown"
SAVE_JSON: Final = "JSON"
SAVE_BRIEF: Final = "One page"
SAVE_PAGE: Final = "Whole note as one file"


def too_large(octets: int) -> str:
    return f"the file is larger than {_bound(octets)}; cut it, or capture less"


def limit(octets: int) -> str:
    return f"At most {_bound(octets)}."


def _bound(octets: int) -> str:
    """As the bounds of a desk are written: 512 MiB."""
    return f"{octets / (1 << 20):.4g} MiB"


def moment(day: str, time: str, zone: str) -> str:
    """Tuesday 3 March 2026, 14:05:20 NZDT"""
    return f"{day}, {time} {zone}"


def not_usable(why: str) -> str:
    """why: in the words of those who read exports."""
    return f"{NOT_USABLE} In detail: {why}"


def other_site(exporters: Sequence[str]) -> str:
    """exporters: of the site that was chosen."""
    return (
        f"This export is not from this site's router ({', '.join(exporters)}). Choose another site, or ask whoever keeps the "
        "site's profile."
    )


def several_sites(names: Sequence[str], more: int) -> str:
    listed = ", ".join(names)
    return f"several sites have that in their name: {listed}{f' and {more} more' if more else ''}; write more of it"


def line(number: int) -> str:
    return f"Line {number}"


def highest(down: str, up: str) -> str:
    """What the links carried at most, which helps to see a slip of the pen."""
    return f"The highest seen were {down} down and {up} up; that is no plan."


def guessed(reason: str, alternative: str) -> str:
    return f"Guessed: {reason}; {alternative}."


def resolution(seconds: int, *, known: bool) -> str:
    return f"{seconds} s" if known else f"{seconds} s (assumed)"


def lost(records: int) -> str:
    return count(records, "record")


def records(number: int) -> str:
    return f"{number:,}"


def size(octets: int) -> str:
    return volume(octets)


def problem(what: str, number: int) -> str:
    return f"{what} ({number:,} times)" if number > 1 else what
