"""What sequence numbers may count: the standard of each protocol, and how exporters bend it (see sequence.py)."""

from __future__ import annotations

from typing import Final, Literal, NamedTuple


class Reading(NamedTuple):
    """A way to read the numbers. unit: what is counted; whole_session: one counter for all domains;
    names_last: the header names the last unit of the message, not the first."""

    text: str
    unit: Literal["records", "flow records", "messages"]
    whole_session: bool = False
    names_last: bool = False


# The standard reading of each protocol first: it is believed unless another fits better.
READINGS: Final[dict[int, tuple[Reading, ...]]] = {
    10: (
        Reading("data records of the domain", "records"),
        Reading("data records of all domains of the session", "records", whole_session=True),
        Reading("flow records of the domain, options left out", "flow records"),
        Reading("messages of the domain", "messages"),
        Reading("messages of all domains of the session", "messages", whole_session=True),
    ),
    9: (
        Reading("messages of the source id", "messages"),
        Reading("messages of all source ids of the session", "messages", whole_session=True),
        Reading("records of the source id", "records"),
        Reading("records of all source ids of the session", "records", whole_session=True),
    ),
    5: (
        Reading("flow records of the engine, the first one named", "records"),
        Reading("flow records of the engine, the last one named", "records", names_last=True),
        Reading("flow records of all engines, the first one named", "records", whole_session=True),
        Reading("flow records of all engines, the last one named", "records", True, True),
    ),
}
