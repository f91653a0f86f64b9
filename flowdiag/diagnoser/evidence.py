"""What a finding rests on: named figures. Each file of findings/ has its own `Evidence`, a frozen dataclass.

A field's name is the key in the JSON and ends with the unit of the figure (`_mbps`, `_s`, `_octets`); its annotation carries a
`Key`, what the figure means and what notes call it. JSON Schema, reference pages and notes are made from these.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from functools import cache
from typing import Annotated, Any, Final, NotRequired, TypedDict, get_args, get_type_hints

from msgspec import Struct

from flowdiag.text.asked import Asked
from flowdiag.text.sentences.times import moment

ABSENT: Final[Any] = object()  # the default of a key that is there only where it has something to say


class Key(Struct, frozen=True):
    """means: one phrase for whoever reads the JSON; name: what notes call it, empty where they do not list it.

    values: words for values that are codes; in_notes: whether notes list it; what has a place of its own there they do not, nor
    a figure of the method, which who wants to check it finds in the JSON. zero: whether a zero is worth telling.
    """

    means: str
    name: str = ""
    values: Mapping[Any, str] | None = None
    in_notes: bool = True
    zero: bool = True


@dataclass(frozen=True, eq=False)
class Evidence(Mapping[str, Any]):
    """The keys of a finding's evidence that are there, in the order of the fields."""

    def __getitem__(self, key: str) -> Any:
        value = getattr(self, key, ABSENT) if key in keys_of(type(self)) else ABSENT
        if value is ABSENT:
            raise KeyError(key)
        return value

    def __iter__(self) -> Iterator[str]:
        return (key for key in keys_of(type(self)) if getattr(self, key) is not ABSENT)

    def __len__(self) -> int:
        return sum(1 for _ in self)


@cache
def keys_of(evidence: type[Evidence]) -> dict[str, Key]:
    """The keys that a finding's evidence can have, in order. Raises TypeError for a field without a Key."""
    hints = get_type_hints(evidence, include_extras=True)
    keys = {}
    for field in fields(evidence):
        marks = [mark for mark in get_args(hints[field.name])[1:] if isinstance(mark, Key)]
        if not marks:
            raise TypeError(f"{evidence.__module__}: {field.name} says nothing of what it means")
        keys[field.name] = marks[0]
    return keys


class Place(TypedDict):
    """An address with the profile's name for it and its part of the whole, 0 to 1."""

    address: str
    label: str | None
    share: float


class Host(Place):
    """outside_lan: it lies in none of the site's networks, so it may be a router with others behind it."""

    outside_lan: NotRequired[bool]


class Part(TypedDict):
    """An application's part of the whole, 0 to 1."""

    application: str
    share: float


# Times are ISO 8601 with the site's offset.
Spell = TypedDict("Spell", {"from": str, "to": str})
Switch = TypedDict("Switch", {"from": str, "to": str, "gap_s": float | None})

Hosts = Annotated[list[Host], Key("inside hosts it is about", in_notes=False)]
Applications = Annotated[list[Part], Key("what their traffic was", in_notes=False)]
Destinations = Annotated[list[Place], Key("outside hosts it is about", in_notes=False)]
Spells = Annotated[list[Spell], Key("its times, where they are several", "spells")]

Capacity = Annotated[float, Key("the plan's rate in this direction", "plan")]
Mean = Annotated[float, Key("mean rate with the link's framing", "mean")]
Peak = Annotated[float, Key("highest rate of a window", "highest window")]

Probed = Annotated[str, Key("whom the router probes over the backup", "destination")]
ProbeProtocol = Annotated[str, Key("protocol of the probe", "protocol")]
Interval = Annotated[float, Key("seconds from one probe to the next, by the profile", "planned interval")]

PROTOCOLS: Final[Mapping[Any, str]] = {
    1: "ICMP", 6: "TCP", 17: "UDP", 47: "GRE", 50: "ESP", 58: "ICMPv6", 132: "SCTP",
}  # fmt: skip
Protocol = Annotated[
    int | None, Key("IANA protocol number; null where it is not one", "protocol", values=PROTOCOLS)
]


def iso_spans(case: Asked, spans: Iterable[tuple[int, int]]) -> list[Spell]:
    """Spans of ms since 1970 UTC as the evidence carries them."""
    return [{"from": moment(case, start), "to": moment(case, end)} for start, end in spans]
