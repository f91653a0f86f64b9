"""What wordings have to know of what they are about. The values of note/ and diagnoser/ have these attributes, and say what
they mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from flowdiag.durations import Span


class Finding(Protocol):
    @property
    def link(self) -> str | None: ...

    @property
    def direction(self) -> str | None: ...

    @property
    def start_ms(self) -> int | None: ...

    @property
    def end_ms(self) -> int | None: ...

    @property
    def confidence(self) -> str: ...


class Verdict(Protocol):
    @property
    def code(self) -> str: ...

    @property
    def confidence(self) -> str: ...

    @property
    def finding(self) -> object | None: ...

    @property
    def also(self) -> Sequence[object]: ...


class Coverage(Protocol):
    """Of a note."""

    @property
    def records(self) -> int: ...

    @property
    def first_ms(self) -> int | None: ...

    @property
    def last_ms(self) -> int | None: ...

    @property
    def heard(self) -> float: ...

    @property
    def lost_records(self) -> int: ...

    @property
    def lost_percent(self) -> float: ...

    @property
    def lost_is_estimate(self) -> bool: ...

    @property
    def undecoded_records(self) -> int: ...

    @property
    def sampling(self) -> float: ...

    @property
    def resolution_s(self) -> int: ...

    @property
    def resolution_known(self) -> bool: ...


class Comparison(Protocol):
    @property
    def asked_ms(self) -> Span: ...

    @property
    def other_ms(self) -> Span: ...

    @property
    def about(self) -> tuple[str, str] | None: ...

    @property
    def other_verdict(self) -> Verdict | None: ...


class State(Protocol):
    """Of a link, for a time."""

    @property
    def state(self) -> str: ...


class Chart(Protocol):
    @property
    def link(self) -> str: ...

    @property
    def direction(self) -> str: ...

    @property
    def capacity_mbps(self) -> float: ...

    @property
    def start_ms(self) -> int: ...

    @property
    def end_ms(self) -> int: ...

    @property
    def step_ms(self) -> int: ...

    @property
    def rates(self) -> Sequence[float | None]: ...

    @property
    def peaks(self) -> Sequence[float | None]: ...

    @property
    def full(self) -> Sequence[Span]: ...

    @property
    def busy(self) -> Sequence[Span]: ...

    @property
    def states(self) -> Sequence[State]: ...


class Layer(Protocol):
    @property
    def name(self) -> str: ...


class Stack(Protocol):
    @property
    def chart(self) -> Chart: ...

    @property
    def episode_ms(self) -> Span: ...

    @property
    def layers(self) -> Sequence[Layer]: ...
