"""Changes to an input that keep its lengths true, so that the fuzzer gets past the checks of headers.

A mutation at random nearly always breaks the length of a message or of a set, and the message is then left out
as a whole (RFC 7011 9.1): the fuzzer would learn how headers are refused and little else.
"""

from __future__ import annotations

import random
import struct

IPFIX, NETFLOW9, NETFLOW5 = b"\0\x0a", b"\0\x09", b"\0\x05"
HEADERS = {IPFIX: 16, NETFLOW9: 20, NETFLOW5: 24}


def sets_of(octets: bytes) -> tuple[bytes, list[tuple[int, bytes]]]:
    """The header of the first message in the octets, and ids and contents of what can be read as sets."""
    header = HEADERS[octets[:2]]
    found = []
    place = header
    while place + 4 <= len(octets) and octets[place : place + 2] not in HEADERS:
        number, length = struct.unpack_from("!HH", octets, place)
        stop = min(max(place + length, place + 4), len(octets))
        found.append((number, octets[place + 4 : stop]))
        place = stop
    return octets[:header].ljust(header, b"\0"), found


def message(header: bytes, sets: list[tuple[int, bytes]]) -> bytes:
    """A message with true lengths."""
    body = b"".join(
        struct.pack("!HH", number, len(part) + 4) + part for number, part in sets if len(part) < 60_000
    )
    if header[:2] == IPFIX:
        body = body[: 65_535 - 16]
        return header[:2] + struct.pack("!H", 16 + len(body)) + header[4:] + body
    return header + body


def messages_of(octets: bytes) -> list[tuple[bytes, list[tuple[int, bytes]]]]:
    """Messages one after another, read as well as they can be."""
    found = []
    while octets[:2] in (IPFIX, NETFLOW9):
        header, sets = sets_of(octets)
        found.append((header, sets))
        octets = octets[len(header) + sum(4 + len(part) for _, part in sets) :]
    return found


def mend(octets: bytes, seed: int) -> bytes:
    """The same messages with true lengths, and one of them changed: a set copied, moved, renamed or cut, a
    message repeated, or its sequence number set right."""
    chance = random.Random(seed)
    found = messages_of(octets)
    if not found:
        return octets
    place = chance.randrange(len(found))
    header, sets = found[place]
    action = chance.randrange(7)
    if action == 0:
        found.insert(chance.randrange(len(found) + 1), (header, list(sets)))
    elif action == 1:
        found[place], found[-1] = found[-1], found[place]
    elif action == 2 and sets:
        sets.insert(chance.randrange(len(sets) + 1), sets[chance.randrange(len(sets))])
    elif action == 3 and sets:
        index = chance.randrange(len(sets))
        number, part = sets[index]
        sets[index] = chance.choice((0, 1, 2, 3, 256, 257, 258, number)), part
    elif action == 4 and sets:
        index = chance.randrange(len(sets))
        number, part = sets[index]
        sets[index] = number, part[: chance.randrange(len(part) + 1)]
    elif action == 5:
        at = 8 if header[:2] == IPFIX else 12
        found[place] = header[:at] + struct.pack("!I", chance.randrange(64)) + header[at + 4 :], sets
    return b"".join(message(*one) for one in found)
