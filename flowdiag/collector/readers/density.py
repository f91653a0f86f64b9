"""How much a file may hold for its size: what takes work for each record, packet or message is bounded by the octets
given, compressed or not.

Facts the design follows:
- a flow record has addresses, ports, times and counters that change from one to the next; compressed as well as can
  be they take ten octets and more (measured: 16 in flowdiag's own Parquet), a packet or message around them the same again;
- equal records, packets or messages compress to nothing, and shortest ones take a few octets: whoever makes a file of
  them makes work without end of it;
- small files are free of this rule, since an invented or quiet export may well be of equal records.
"""

from __future__ import annotations

from typing import Final

from flowdiag.collector.decode.work import Work

# With three hundred million octets of columns, and a million distinct hosts at the worst, a diagnosis of so many stays
# below a gigabyte and some seconds.
FREE_RECORDS: Final = 4_000_000
OCTETS_A_RECORD: Final = 5

# Packets, blocks of a capture, and messages: each costs some microseconds whatever is in it, unusual messages some thirty.
FREE_PIECES: Final = 500_000
OCTETS_A_PIECE: Final = 25
# What is new costs more than a piece: an observation domain, a template that is defined or defined anew, and the columnar
# step that each template with records costs in each batch, by so many pieces. Exporters send templates again and again,
# which is nothing new.
PIECES_A_DOMAIN: Final = 40
PIECES_A_DEFINITION: Final = 10
PIECES_A_STEP: Final = 40
# Octets looked through after damage for the next packet or message, beyond as many as the file has.
FREE_SEARCHED: Final = 16 << 20

TOO_DENSE: Final = (
    "more packets, messages or flow records than a file of this size may hold; what came before was used"
)
TOO_DAMAGED: Final = "more damage than is searched for what is sound behind it; what came before was used"


def pieces_of(work: Work) -> int:
    """What a decoder has done so far, in pieces beside one for each message."""
    return (
        PIECES_A_DOMAIN * work.domains
        + PIECES_A_DEFINITION * work.definitions
        + PIECES_A_STEP * work.steps
        + work.messages
        + work.sets
    )


def most_records(octets: int) -> int:
    """How many flow records a file of so many octets may hold."""
    return max(FREE_RECORDS, octets // OCTETS_A_RECORD)


def most_pieces(octets: int) -> int:
    """How many packets, blocks or messages a file of so many octets may hold."""
    return max(FREE_PIECES, octets // OCTETS_A_PIECE)
