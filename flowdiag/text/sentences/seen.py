"""What sentences have to know of what was seen: values of diagnoser/signals/ have these attributes, and say what they mean."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from flowdiag.durations import Span
from flowdiag.text.asked import Asked


class Place(Protocol):
    """A link direction of the profile, by number."""

    @property
    def link(self) -> int: ...

    @property
    def direction(self) -> int: ...


class Timed(Protocol):
    @property
    def start_ms(self) -> int: ...

    @property
    def end_ms(self) -> int: ...


class Gap(Timed, Protocol):
    @property
    def length_ms(self) -> int: ...


class Room(Place, Protocol):
    @property
    def share(self) -> float: ...

    @property
    def upper(self) -> float: ...

    @property
    def peak_mbps(self) -> float: ...

    @property
    def capacity_mbps(self) -> float: ...

    @property
    def peak_ms(self) -> int: ...

    @property
    def peak_window_s(self) -> float: ...


class AtLimit(Place, Protocol):
    @property
    def spells(self) -> tuple[Span, ...]: ...

    @property
    def covered_ms(self) -> int: ...

    @property
    def rate_mbps(self) -> float: ...

    @property
    def longest(self) -> Span: ...

    @property
    def longest_ms(self) -> int: ...

    @property
    def total_ms(self) -> int: ...


class EvenTransfers(Place, Timed, Protocol):
    @property
    def rate_mbps(self) -> float: ...

    @property
    def transfers(self) -> int: ...


class HeldLevel(Place, Timed, Protocol):
    @property
    def rate_mbps(self) -> float: ...

    @property
    def share(self) -> float: ...

    @property
    def transfers(self) -> int: ...

    @property
    def gives_way(self) -> bool: ...

    @property
    def wanders(self) -> bool: ...

    @property
    def is_the_lines(self) -> bool: ...


class UnusualRate(Protocol):
    @property
    def what(self) -> str: ...

    @property
    def most(self) -> int: ...

    @property
    def usual(self) -> float | None: ...

    @property
    def at_ms(self) -> int: ...

    @property
    def tried(self) -> int | None: ...

    @property
    def link(self) -> int | None: ...

    @property
    def direction(self) -> int | None: ...


class DeadService(Timed, Protocol):
    @property
    def host(self) -> int: ...

    @property
    def destination(self) -> int: ...

    @property
    def port(self) -> int: ...

    @property
    def protocol(self) -> int: ...

    @property
    def failed(self) -> int: ...

    @property
    def tried(self) -> int: ...

    @property
    def weighs(self) -> bool: ...


class Doubt(Protocol):
    @property
    def client(self) -> str: ...

    @property
    def weight(self) -> int: ...


class Usual(Protocol):
    @property
    def local_start(self) -> datetime: ...

    @property
    def same_weekday(self) -> bool: ...

    def times(self, mbps: float) -> float | None: ...

    def is_unusual(self, mbps: float) -> bool: ...


class Failover(Timed, Protocol):
    @property
    def length_ms(self) -> int: ...

    @property
    def gap_ms(self) -> int | None: ...

    @property
    def octets_down(self) -> float: ...

    @property
    def octets_up(self) -> float: ...

    @property
    def began_before(self) -> bool: ...

    @property
    def still(self) -> bool: ...


class Found(Protocol):
    """A finding; its times are None where it has none of its own."""

    @property
    def start_ms(self) -> int | None: ...

    @property
    def end_ms(self) -> int | None: ...


class Verdict(Protocol):
    @property
    def code(self) -> str: ...

    @property
    def finding(self) -> Found | None: ...


class Load(Protocol):
    @property
    def level(self) -> int: ...

    @property
    def spans(self) -> tuple[Span, ...]: ...

    @property
    def peak_share(self) -> float: ...


class Side(Protocol):
    """One of two times that are compared."""

    @property
    def case(self) -> Asked: ...

    @property
    def verdict(self) -> Verdict: ...

    @property
    def load(self) -> Load: ...


class Shift(Protocol):
    @property
    def kind(self) -> str: ...

    @property
    def key(self) -> str: ...

    @property
    def label(self) -> str | None: ...


class Explanation(Protocol):
    @property
    def parts(self) -> Sequence[Shift]: ...

    @property
    def asked_octets(self) -> int: ...

    @property
    def other_octets(self) -> int: ...


class Shifts(Protocol):
    @property
    def explanation(self) -> Explanation | None: ...
