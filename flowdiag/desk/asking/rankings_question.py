"""Who, what and where of exactly a span of time, of all of it or of what a host, a destination or an application had.

Facts the design follows:
- each flow belongs to one conversation, so that one ranking of them, summed up by their other columns, tells of any choice
  what `top` would tell if it could be asked for that choice;
- where roll-ups answer a long time, they name its largest conversations alone: of the whole they rank hosts, applications and
  destinations each for itself and better; what one of those had in all is taken from there, and what may be lacking is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from flowdiag.desk.asking.question import Progress
from flowdiag.desk.asking.span_question import LinkQuestion
from flowdiag.durations import LAST_MS
from flowdiag.site.profile import Profile

if TYPE_CHECKING:
    from flowdiag.aggregator.partials import Measure
    from flowdiag.aggregator.top_keys import Conversation, Kind
    from flowdiag.aggregator.top_ranking import Request, Top, TopRow

MOST_CONVERSATIONS: Final = 100_000  # of which a choice is summed up: a second, and 60 MB
MOST_ROWS: Final = 1_000  # of a table
MEASURES: Final[tuple[Measure, ...]] = ("octets", "packets", "flows")
ALONE: Final[tuple[Kind, ...]] = ("talkers", "applications", "destinations")
_KIND_OF: Final[tuple[Kind, ...]] = ("talkers", "destinations", "applications")  # by position of Row.keys
INSIDE, OUTSIDE, APPLICATION = range(3)
Amounts = tuple[int, int, int]  # octets, packets, flows
# What a row of each table is told by, as positions in Row.keys.
COLUMNS: Final[dict[Kind, tuple[int, ...]]] = {
    "talkers": (INSIDE,),
    "applications": (APPLICATION,),
    "destinations": (OUTSIDE,),
    "conversations": (INSIDE, OUTSIDE, APPLICATION),
}


class Row(Struct, frozen=True):
    """keys: one, or inside, outside and application of a conversation; otherwise as aggregator/top_ranking.py has it."""

    keys: tuple[str, ...]
    label: str | None
    octets: int
    packets: int
    flows: int
    share: float
    mean_mbps: float
    first_ms: int
    last_ms: int
    bound_octets: int


class Table(Struct, frozen=True):
    """The largest rows. rest: octets, packets and flows of everything else; rest_share: in the measure ranked by."""

    kind: Kind
    rows: tuple[Row, ...]
    rest: Amounts
    rest_share: float


class Rankings(Struct, frozen=True):
    """chosen, all: octets of the choice and of the whole span; lacking: the most octets that the choice may have beside;
    remarks: what bounds the figures."""

    tables: tuple[Table, ...]
    chosen: int
    all: int
    lacking: int
    remarks: tuple[str, ...]


class RankingsQuestion(LinkQuestion, frozen=True):
    """by: octets, packets or flows; host, destination: addresses as addresses.py writes them; application: a name."""

    by: Measure = "octets"
    host: str | None = None
    destination: str | None = None
    application: str | None = None

    @property
    def choice(self) -> tuple[str | None, str | None, str | None]:
        """By position of Row.keys."""
        return self.host, self.destination, self.application

    def answer(self, progress: Progress) -> Rankings:
        """Raises what rank_export() raises."""
        from flowdiag.text.wording.coverage import told

        profile = self.profile()
        top = self._rank("conversations", MOST_CONVERSATIONS, profile, progress)
        ranking, is_chosen = top.whole, any(self.choice)
        is_whole = not top.folded_keys and len(ranking.rows) < MOST_CONVERSATIONS
        total = everything = (ranking.total_octets, ranking.total_packets, ranking.total_flows)
        rows: Sequence[TopRow] = ranking.rows
        lacking = 0
        if is_chosen:
            rows = [row for row in rows if _is_chosen(row, self.choice)]
            total = _total(rows)
            if not is_whole:
                total, lacking = self._beyond(total, ranking.rest_octets, profile, progress)
        if is_whole or is_chosen:
            tables = SummingUp(rows, total, self.by, profile).tables(self.choice)
        else:
            tables = (
                *(as_table(self._rank(kind, MOST_ROWS, profile, progress), kind) for kind in ALONE),
                as_table(top, "conversations"),
            )
        return Rankings(
            tables=tables,
            chosen=total[0],
            all=everything[0],
            lacking=lacking,
            remarks=told(top.remarks),
        )

    def _beyond(
        self, named: Amounts, rest_octets: int, profile: Profile, progress: Progress
    ) -> tuple[Amounts, int]:
        """What the choice had in all, and the octets that this may lack. named: in conversations that are known by name;
        rest_octets: of all others, chosen or not."""
        own = []
        for kind, wanted in zip(_KIND_OF, self.choice, strict=True):
            if wanted is not None:
                top = self._rank(kind, MOST_CONVERSATIONS, profile, progress)
                rows = top.whole.rows
                row = next((row for row in rows if row.key == wanted), None)
                own.append((_total([] if row is None else [row]), rows[0].bound_octets if rows else 0))
        most = min(min(amounts[0] + bound for amounts, bound in own), named[0] + rest_octets)
        if len(own) == 1 and own[0][0] > named:  # its own ranking knows more of it
            named = own[0][0]
        return named, max(most - named[0], 0)

    def _rank(self, kind: Kind, limit: int, profile: Profile, progress: Progress) -> Top:
        from flowdiag.export_ranking import rank_export

        return rank_export([self.store], profile, self._request(kind, limit, profile), progress)

    def _request(self, kind: Kind, limit: int, profile: Profile) -> Request:
        from flowdiag.aggregator.site_flows import DIRECTION_NAMES
        from flowdiag.aggregator.top_ranking import Request
        from flowdiag.pipeline import link_named

        return Request(
            kind=kind,
            by=self.by,
            limit=limit,
            link=None if self.link is None else link_named(profile, self.link),
            direction=None if self.direction is None else DIRECTION_NAMES.index(self.direction),
            window_from=self.window_from,
            window_to=self.window_to,
            peaks=False,
        )


def _keys(row: TopRow) -> tuple[str, ...]:
    if isinstance(row.key, str):
        return (row.key,)
    conversation: Conversation = row.key
    return conversation.inside, conversation.outside, conversation.application


def _is_chosen(row: TopRow, choice: Sequence[str | None]) -> bool:
    return all(wanted in (None, key) for wanted, key in zip(choice, _keys(row), strict=True))


def as_table(top: Top, kind: Kind) -> Table:
    """A ranking as it is, of its largest rows."""
    ranking, by = top.whole, top.request.by
    total = (ranking.total_octets, ranking.total_packets, ranking.total_flows)
    return _table(
        kind,
        [
            Row(
                _keys(row), row.label, row.octets, row.packets, row.flows, row.share, row.mean_mbps,
                row.first_ms, row.last_ms, row.bound_octets,
            )
            for row in ranking.rows[:MOST_ROWS]
        ],
        total,
        by,
    )  # fmt: skip


def _table(kind: Kind, rows: Sequence[Row], total: Amounts, by: Measure) -> Table:
    octets, packets, flows = (max(whole - part, 0) for whole, part in zip(total, _total(rows), strict=True))
    share = max(1.0 - sum(row.share for row in rows), 0.0) if total[MEASURES.index(by)] else 0.0
    return Table(kind, tuple(rows), (octets, packets, flows), share)


def _total(rows: Iterable[Row | TopRow]) -> Amounts:
    octets = packets = flows = 0
    for row in rows:
        octets, packets, flows = octets + row.octets, packets + row.packets, flows + row.flows
    return octets, packets, flows


class SummingUp:
    """Conversations by their other columns. total: of all that are chosen."""

    def __init__(
        self, conversations: Sequence[TopRow], total: Amounts, by: Measure, profile: Profile
    ) -> None:
        from flowdiag.aggregator.applications import catalogue_of
        from flowdiag.aggregator.labels import Labels

        self._conversations, self._total, self._by = conversations, total, by
        self._labels, self._rules = Labels(profile), catalogue_of(profile)

    def tables(self, choice: Sequence[str | None]) -> tuple[Table, ...]:
        """A table of each kind, except of those of which the choice leaves one row."""
        return tuple(
            self._of(kind, columns)
            for kind, columns in COLUMNS.items()
            if len(columns) > 1 or choice[columns[0]] is None
        )

    def _of(self, kind: Kind, columns: tuple[int, ...]) -> Table:
        whole = self._total[MEASURES.index(self._by)] or 1
        rows = [
            one.row(keys, self._label(keys, kind), self._value(one) / whole)
            for keys, one in self._largest(columns)
        ]
        return _table(kind, rows, self._total, self._by)

    def _largest(self, columns: tuple[int, ...]) -> list[tuple[tuple[str, ...], _Sum]]:
        """Equal ones in the order of their keys."""
        summed: dict[tuple[str, ...], _Sum] = {}
        for row in self._conversations:
            keys = _keys(row)
            summed.setdefault(tuple(keys[column] for column in columns), _Sum()).add(row)
        # Conversations come in order, and stay so.
        ordered = sorted(summed.items(), key=lambda item: -self._value(item[1]))
        if len(columns) > 1 or not ordered:
            return ordered[:MOST_ROWS]
        least = self._value(ordered[:MOST_ROWS][-1][1])
        largest = [item for item in ordered if self._value(item[1]) >= least]
        return sorted(largest, key=lambda item: (-self._value(item[1]), _order(item[0])))[:MOST_ROWS]

    def _value(self, one: _Sum) -> int:
        value: int = getattr(one, self._by)
        return value

    def _label(self, keys: tuple[str, ...], kind: Kind) -> str | None:
        """As `top` has it: the plain-language class of an application, the outside end's name of a conversation."""
        from flowdiag.addresses import to_bytes

        if kind == "applications":
            return self._rules.class_of(keys[0])
        return self._labels.label(to_bytes(keys[1 if kind == "conversations" else 0]))


class _Sum:
    """The sum of some rows of a ranking."""

    def __init__(self) -> None:
        self.octets = self.packets = self.flows = 0
        self._mbps = 0.0
        self._first_ms, self._last_ms = LAST_MS, 0

    def add(self, row: TopRow) -> None:
        self.octets, self.packets = self.octets + row.octets, self.packets + row.packets
        self.flows += row.flows
        self._mbps += row.mean_mbps
        self._first_ms, self._last_ms = min(self._first_ms, row.first_ms), max(self._last_ms, row.last_ms)

    def row(self, keys: tuple[str, ...], label: str | None, share: float) -> Row:
        return Row(
            keys, label, self.octets, self.packets, self.flows, share, self._mbps,
            self._first_ms, self._last_ms, 0,
        )  # fmt: skip


def _order(keys: Iterable[str]) -> tuple[bytes, ...]:
    """Addresses by their octets, names of applications by theirs, as rankings have equal rows."""
    from flowdiag.addresses import to_bytes

    found = []
    for key in keys:
        try:
            found.append(to_bytes(key))
        except ValueError:
            found.append(key.encode())
    return tuple(found)
