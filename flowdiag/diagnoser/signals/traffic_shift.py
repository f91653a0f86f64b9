"""What made the traffic of one time differ from that of another: destinations, devices and applications of both.

Octets of two times of different length are held against each other as rates. A destination explains a difference where its
own has the same sign and is at least half of all; then a device within that destination's traffic, and an application within
that of both, each as long as at least half of all is left. So what is said of them together is so of the same octets.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.addresses import to_text
from flowdiag.aggregator.labels import label_of
from flowdiag.aggregator.spread import part_inside
from flowdiag.diagnoser.case import Case

Kind = Literal["destination", "host", "application"]
KINDS: Final[tuple[Kind, ...]] = ("destination", "host", "application")

EXPLAINS: Final = 0.5  # most of a difference is at least half of it
# A difference is worth a row from this part of the larger of both volumes on; so many rows of a kind.
WORTH_NAMING: Final = 0.05
MOST_NAMED: Final = 3


class Shift(Struct, frozen=True):
    """A destination, device or application, and its IP octets in both times. key: an address as text, or a name."""

    kind: Kind
    key: str
    label: str | None
    asked_octets: int
    other_octets: int


class Explanation(Struct, frozen=True):
    """What most of the difference is: a destination, a device or an application, or several of them together.

    parts: each with the octets that all of them have in common.
    """

    parts: tuple[Shift, ...]
    asked_octets: int
    other_octets: int


class Shifts(Struct, frozen=True):
    """asked_octets, other_octets: of the whole link direction; largest: of each kind, largest difference first."""

    asked_octets: int
    other_octets: int
    explanation: Explanation | None
    largest: tuple[Shift, ...]


def shifts(asked: Case, other: Case, link: int, direction: int) -> Shifts:
    """What differs on a link direction between the windows of two cases, which may share their flows."""
    traffic = _traffic(asked, other, link, direction)
    return Shifts(
        *traffic.octets,
        _explanation(asked, traffic),
        tuple(s for kind in KINDS for s in _largest(asked, traffic, kind)),
    )


class _Traffic(Struct, frozen=True, eq=False):
    """Rows of both times. numbers: of each kind per row, in `names`; asked, other: octets per row in either time, shape
    [row]; weight: of an octet of the other time, so that both times have one length.
    """

    numbers: dict[Kind, NDArray[np.intp]]
    asked: NDArray[np.float64]
    other: NDArray[np.float64]
    names: dict[Kind, tuple[bytes | str, ...]]
    weight: float

    @property
    def octets(self) -> tuple[int, int]:
        return round(float(self.asked.sum())), round(float(self.other.sum()))

    @property
    def difference(self) -> float:
        return float(self.asked.sum() - self.weight * self.other.sum())

    def sums(self, kind: Kind) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Octets in both times by number of a kind."""
        numbers, size = self.numbers[kind], len(self.names[kind])
        asked: NDArray[np.float64] = np.bincount(numbers, self.asked, size).astype(np.float64)
        other: NDArray[np.float64] = np.bincount(numbers, self.other, size).astype(np.float64)
        return asked, other

    def of(self, kind: Kind, number: int) -> _Traffic:
        rows = np.flatnonzero(self.numbers[kind] == number)
        numbers = {name: values[rows] for name, values in self.numbers.items()}
        return _Traffic(numbers, self.asked[rows], self.other[rows], self.names, self.weight)


def _traffic(asked: Case, other: Case, link: int, direction: int) -> _Traffic:
    ours, theirs = (_rows(case, link, direction) for case in (asked, other))
    names: dict[Kind, tuple[bytes | str, ...]] = {}
    numbers: dict[Kind, NDArray[np.intp]] = {}
    for kind in KINDS:
        columns, known = zip(*(_column(case, kind) for case in (asked, other)), strict=True)
        names[kind], renumbered = _one_list(*known)
        numbers[kind] = np.concatenate([columns[0][ours[0]], renumbered[columns[1][theirs[0]]]]).astype(
            np.intp
        )
    (begin, end), (other_begin, other_end) = asked.window_ms, other.window_ms
    return _Traffic(
        numbers,
        np.concatenate([ours[1], np.zeros(len(theirs[1]))]),
        np.concatenate([np.zeros(len(ours[1])), theirs[1]]),
        names,
        (end - begin) / (other_end - other_begin),
    )


def _rows(case: Case, link: int, direction: int) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """The rows of a link direction that touch the window, and their octets inside it."""
    flows, (begin, end) = case.flows, case.window_ms
    on_link = (flows.link == link) & (flows.direction == direction)
    rows = np.flatnonzero(on_link & (flows.start_ms < end) & (flows.end_ms >= begin))
    return rows, flows.octets[rows] * part_inside(flows.start_ms[rows], flows.end_ms[rows], begin, end)


def _column(case: Case, kind: Kind) -> tuple[NDArray[np.int32], tuple[bytes, ...] | tuple[str, ...]]:
    flows = case.flows
    if kind == "application":
        return flows.application, flows.applications
    return (flows.outside if kind == "destination" else flows.inside), flows.addresses


def _one_list(
    ours: tuple[bytes | str, ...], theirs: tuple[bytes | str, ...]
) -> tuple[tuple[bytes | str, ...], NDArray[np.intp]]:
    """The names of both cases, and the number in it of each of the second's."""
    if ours is theirs:
        return ours, np.arange(len(theirs))
    known = {name: number for number, name in enumerate(ours)}
    numbers = [known.setdefault(name, len(known)) for name in theirs]
    return tuple(known), np.array(numbers, np.intp)


def _explanation(case: Case, traffic: _Traffic) -> Explanation | None:
    whole = traffic.difference
    part, found = traffic, list[tuple[Kind, int]]()
    for kind in KINDS:
        asked, other = part.sums(kind)
        alike = (asked - part.weight * other) * np.sign(whole)
        if alike.max(initial=0.0) > 0.0 and alike.max() >= EXPLAINS * abs(whole):
            number = int(alike.argmax())
            part = part.of(kind, number)
            found.append((kind, number))
    if not found:
        return None
    octets = part.octets
    return Explanation(tuple(_shift(case, traffic, *one, *octets) for one in found), *octets)


def _largest(case: Case, traffic: _Traffic, kind: Kind) -> list[Shift]:
    """Those of a kind with the largest differences; equal ones in the order of their names."""
    asked, other = traffic.sums(kind)
    size = np.abs(asked - traffic.weight * other)
    least = WORTH_NAMING * max(float(traffic.asked.sum()), traffic.weight * float(traffic.other.sum()))
    worth = np.flatnonzero((size >= least) & (size > 0.0)).tolist()
    worth.sort(key=lambda number: (-size[number], traffic.names[kind][number]))
    return [
        _shift(case, traffic, kind, number, round(float(asked[number])), round(float(other[number])))
        for number in worth[:MOST_NAMED]
    ]


def _shift(
    case: Case, traffic: _Traffic, kind: Kind, number: int, asked_octets: int, other_octets: int
) -> Shift:
    name = traffic.names[kind][number]
    if isinstance(name, str):
        return Shift(kind, name, None, asked_octets, other_octets)
    return Shift(kind, to_text(name), label_of(case.profile, name), asked_octets, other_octets)
