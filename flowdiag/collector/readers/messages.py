"""Files of export messages one after another: IPFIX files (RFC 5655), raw NetFlow v9 and v5 datagrams, mixed.

Facts the design follows:
- nothing stands between the messages and there is no file header (RFC 5655 7.1), so one walker serves all
  three protocols; IPFIX, which gives its own length, takes the short way through the loop;
- a message is trusted once another message or the end of the file stands right behind it, since a wrong
  length would otherwise swallow the messages after it;
- after damage the next message is searched for (RFC 5655 10.3): two octets that read a version, whose length
  leads to another version or to the end of the file;
- one file is one session (RFC 5655 7.1);
- an IPFIX message of the length of the one before it may begin a run, which is passed in one step (run.py);
- a file of another kind may stand behind the messages, or behind a part of one.
"""

from __future__ import annotations

from collections.abc import Generator
from struct import Struct
from typing import Final

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.readers.beginnings import NEEDED, begins, find_beginning
from flowdiag.collector.readers.framing import (
    DAMAGED,
    IPFIX,
    IPFIX_HEADER,
    MORE_NEEDED,
    NETFLOW5,
    VERSIONS,
    message_length,
    sets_fit,
)
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import Window
from flowdiag.collector.run import Run, messages_alike

DAMAGE: Final = "octets that are no export message were passed over up to the next message"
DAMAGED_END: Final = "octets at the end that are no export message were left out"
TRUNCATED: Final = "the file ends inside a message; that message was left out"
ENDS_EARLY: Final = "octets that are no export message were passed over up to another file, which was read"

_new = tuple.__new__
_HEADER: Final = Struct(">HH").unpack_from
_VERSION_OCTETS: Final = {version: version.to_bytes(2, "big") for version in sorted(VERSIONS)}
# What may stand behind a message: a version, the end of the file, or half a version at the end of the file.
_FOLLOWERS: Final = frozenset((b"", b"\x00", *_VERSION_OCTETS.values()))


def read_messages(window: Window, source: Source) -> Generator[Datagram | Run, None, bool]:
    """The messages of a file in order, as datagrams and runs of the file's one session, without capture time.

    Gives whether another file follows; the window then stands at its beginning. Damage and a cut-off last message
    become problems of the source, with their offset.
    """
    session = source.file_session
    seen: set[int] = set()  # versions read so far: after damage only these are searched for
    position = 0
    while True:
        final = window.ended
        position, damaged = yield from _sound_messages(window, position, session, seen)
        if damaged:
            if begins(window.data, position, len(window.data)):
                another = True
            else:
                position, another = _resynchronise(window, position, source, seen or VERSIONS)
            if another:
                window.slide(position)
                return True
        elif final:
            return False
        else:
            window.slide(position)
            position = 0


def _sound_messages(
    window: Window, position: int, session: Session, seen: set[int]
) -> Generator[Datagram | Run, None, tuple[int, bool]]:
    """Yields the whole messages from a position in the window on.

    Gives where they end and whether damage, or another file, stands there.
    """
    data, base, end, final = window.data, window.base, len(window.data), window.ended
    last_version = last_length = 0
    while end - position >= 4:
        version, length = _HEADER(data, position)
        if version != IPFIX:
            length = message_length(data, position, end, final=final)
            if length == MORE_NEEDED:
                return position, False
        if length < IPFIX_HEADER:
            # It takes more octets to know another file than a message that is none.
            return position, final or end - position >= NEEDED
        if length == last_length and version == IPFIX:
            messages = messages_alike(data, position, length, end)
            if messages:
                seen.add(version)
                last_version = version
                yield Run(session, data, position, length, messages, base + position)
                position += messages * length
                continue
        last_length = length
        stop = position + length
        if stop + 2 > end:
            if not final:
                return position, False
            if stop > end:
                return position, True
        if data[stop : stop + 2] not in _FOLLOWERS:
            if not final and stop + NEEDED > end:
                return position, False
            if _swallowed(data, position, stop, end) or not (
                version == NETFLOW5
                or (version == IPFIX and sets_fit(data, position, stop))
                or begins(data, stop, end)
            ):
                return position, True
        if version != last_version:
            seen.add(version)
            last_version = version
        yield _new(Datagram, (session, data[position:stop], None, base + position))
        position = stop
    return position, final and position < end


def _swallowed(data: bytes, start: int, stop: int, end: int) -> bool:
    """Whether the message data[start:stop], behind which no other one stands, was cut off and reads as its own rest
    what belongs to another file."""
    return find_beginning(data, start + IPFIX_HEADER, stop, end) >= 0


def _resynchronise(
    window: Window, position: int, source: Source, versions: set[int] | frozenset[int]
) -> tuple[int, bool]:
    """Where in the window the next message or another file starts after damage at a position, or the window's end;
    whether it is another file. Notes what was passed.

    The window slides only when it is read to its end, so that much damage in a chunk costs no more than
    little.
    """
    data, start, end = window.data, window.base + position, len(window.data)
    truncated = window.ended and position + message_length(data, position, end, final=True) > end
    position += 1
    searched = position
    while True:
        end, final = len(window.data), window.ended
        position, certain = find_message(window.data, position, end, final=final, versions=versions)
        another = find_beginning(window.data, searched, position, end)
        if another >= 0:
            source.problem(start, ENDS_EARLY)
            return another, True
        if certain:
            source.problem(start, DAMAGE if position < end else TRUNCATED if truncated else DAMAGED_END)
            return position, False
        if source.too_damaged(end - searched):
            window.give_up()
            return 0, False
        passed = max(min(position, end - NEEDED), 0)
        window.slide(passed)
        position, searched = position - passed, 0


def find_message(
    data: bytes, start: int, end: int, *, final: bool, versions: set[int] | frozenset[int] = VERSIONS
) -> tuple[int, bool]:
    """Where in data[start:end] the next message starts, by the rule of RFC 5655 10.3, and whether that is
    certain.

    Uncertain: more octets are needed from that index on; end with certainty: none starts here (all is read).
    """
    wanted = [_VERSION_OCTETS[version] for version in sorted(versions)]
    nexts = [start - 1] * len(wanted)
    position = start
    walked: set[int] = set()
    while True:
        for index, octets in enumerate(wanted):
            if nexts[index] < position:
                at = data.find(octets, position, end)
                nexts[index] = end if at < 0 else at
        position = min(nexts)
        if position >= end:
            # The last octet may be the first half of a version.
            return (end, True) if final else (max(start, end - 1), False)
        length = message_length(data, position, end, final=final, walked=walked)
        if length != DAMAGED:
            stop = position + length
            if not final and (length == MORE_NEEDED or stop + 2 > end):
                return position, False
            if stop <= end and data[stop : stop + 2] in _FOLLOWERS:
                return position, True
        position += 1
