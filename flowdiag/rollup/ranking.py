"""Rankings from summaries: what of them counts, by key, as the flows that they stand for would.

Facts the design follows:
- talkers and destinations are ends of flows, and a summary of hosts has both: which of them is the inside one follows from
  where the flows count (points.py);
- what was folded counts in the totals by kind of record alone, and what a key may have lost by it is known. Both ends of
  flows are summed up, so that what was folded of one end is what its rows lack of all flows;
- what only flows can tell has to be asked of them: which of two exporters or domains repeats the other, which host is
  behind a translated address, times by a clock that is off.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.address_ranges import AddressRanges
from flowdiag.addresses import NEVER_OUTSIDE as NO_NETWORKS
from flowdiag.aggregator.build import Counting, Reduction
from flowdiag.aggregator.counting import Decisions, Tally, decide
from flowdiag.aggregator.coverage_notes import Durations
from flowdiag.aggregator.framing import PER_PACKET
from flowdiag.aggregator.partials import Folded, Partial, aggregate
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.aggregator.time_outliers import Span
from flowdiag.aggregator.top_keys import Kind
from flowdiag.aggregator.top_parts import STEP
from flowdiag.aggregator.top_ranking import Request
from flowdiag.aggregator.top_sums import NeedsFlows
from flowdiag.aggregator.translation import NO_ADDRESS, Staying
from flowdiag.buffers import column
from flowdiag.durations import HOUR_MS
from flowdiag.rollup.cells import Columns, added_up, cells_of, folded, joined, of_hours, summary
from flowdiag.rollup.ends import Ends, ends_of_conversations, ends_of_hosts
from flowdiag.rollup.hours import Hours
from flowdiag.rollup.points import (
    FRAMINGS,
    INSIDE,
    NEVER_OUTSIDE,
    NOWHERE,
    PLACES,
    UNCLEAR,
    Effects,
    Wanted,
    effects,
    settled,
)
from flowdiag.rollup.samples import durations_of
from flowdiag.rollup.shape import AMOUNTS, RollUp
from flowdiag.rollup.translated import TRIFLE, Unnamed, unnamed
from flowdiag.site.profile import Profile

_HOUR_BITS: Final = 32  # hours since 1970, as one number with that of a point
_TABLE: Final[dict[Kind, str]] = {
    "talkers": "hosts",
    "destinations": "hosts",
    "applications": "services",
    "conversations": "conversations",
}


def tables_for(kind: Kind) -> tuple[str, ...]:
    """The tables of a roll-up that a ranking needs: those of hosts tell what the ends of services' flows are."""
    table = _TABLE[kind]
    return ("folded", table) if kind == "conversations" else tuple(dict.fromkeys(("folded", "hosts", table)))


class RolledSums:
    """Sums (aggregator/top_sums.py) from roll-ups with tables_for() the request's kind.

    hours: those that they stand for; begin() leaves out what they cannot tell of.
    """

    def __init__(
        self, rollups: Sequence[RollUp], hours: Hours, profile: Profile, request: Request, *, local_too: bool
    ) -> None:
        """local_too: traffic on no link counts even where links can be told apart."""
        self.hours = hours
        self._rollups = rollups
        self._profile = profile
        self._request = request
        self._local_too = local_too
        self._table = _TABLE[request.kind]

    def begin(self, reduction: Reduction) -> None:
        """Before anything else is added to the reduction."""
        self._reduction = reduction
        interner, kind = reduction.interner, self._table
        names = {kind} if kind == "conversations" else {"hosts", kind}
        self._rows = {
            name: joined([summary(one, name, self.hours, interner) for one in self._rollups])
            for name in sorted(names)
        }
        self._lost = {
            name: joined([folded(one, name, self.hours, interner) for one in self._rollups])
            for name in sorted(names)
        }
        self._sorts = self._sorts_of_ends()
        self._arrange()
        unclear = self._cells.hour[self._unclear_cells()]
        if self._request.by != "octets" or self._request.step_ms is not None:
            unclear = np.concatenate([unclear, self._lost[kind]["hour"]])
        if len(unclear):
            self.hours = self.hours.without(unclear)
            self._rows = {name: of_hours(rows, self.hours) for name, rows in self._rows.items()}
            self._lost = {name: of_hours(rows, self.hours) for name, rows in self._lost.items()}
            self._arrange()

    def learn(self, reduction: Reduction, span: Span) -> None:
        self._tell(reduction.tally)
        self._unnamed = self._find_unnamed()
        reduction.staying = Staying(self._unnamed.address, self._unnamed.octets)
        reduction.left_out.not_ip += sum(one.facts.not_ip for one in self._rollups)
        cells, flows = self._cells, self._ends.total("flows")
        if len(cells):
            times = cells.hour * HOUR_MS
            source = cells.points.source[cells.point].astype(np.int16)
            span.add(source, times, times, flows.astype(np.int64))

    @property
    def packets(self) -> tuple[float, float]:
        facts = [one.facts for one in self._rollups]
        packets = sum(one.packets for one in facts)
        seen = sum(one.packets_seen for one in facts) / packets if packets else 1.0
        mine = float(self._ends.total("packets").sum())
        return mine, mine * seen

    @property
    def durations(self) -> Durations:
        return durations_of([one.facts for one in self._rollups])

    def partial(
        self, counting: Counting, request: Request, grid: WindowGrid | None, *, local_too: bool
    ) -> Partial:
        self._check(counting)
        found = self._effects(counting.decisions, local_too=local_too)
        of_cells = self._of_cells(found)
        rows = self._rows[self._table]
        of_rows = self._of_rows(found, of_cells)
        if (of_cells == UNCLEAR).any() or (of_rows == UNCLEAR).any():
            raise NeedsFlows
        keys: list[Columns] = []
        chosen: list[NDArray[np.intp]] = []
        framing: list[NDArray[np.int8]] = []
        for place in range(PLACES):
            at, more = self._chosen(of_rows[:, place], counting)
            chosen.append(at)
            keys.append(more)
            framing.append(of_rows[at, place] >> 1)
        at = np.concatenate(chosen)
        amounts = {name: rows[name][at] for name in AMOUNTS}
        columns = {name: column(values) for name, values in joined(keys).items()}
        if grid is not None:
            steps = (rows["hour"][at] * HOUR_MS - grid.start_ms) // grid.window_ms
            columns[STEP] = column(grid.start_ms + steps * grid.window_ms)
        partial = aggregate(
            columns,
            request.by,
            octets=amounts["octets"],
            wire_octets=_framed(amounts, np.concatenate(framing)),
            packets=amounts["packets"],
            flows=amounts["flows"],
            first_ms=rows["first_ms"][at],
            last_ms=rows["last_ms"][at],
        )
        lost = self._lost_of(of_cells)
        return Partial(partial.keys, partial.by, partial.table, partial.folded.plus(lost))

    def _arrange(self) -> None:
        """Numbers the cells of the rows, and sums up what their ends are."""
        names = sorted(self._rows)
        tables = [*(self._rows[name] for name in names), *(self._lost[name] for name in names)]
        self._cells, numbered = cells_of(*tables)
        self._cell = dict(zip(names, numbered[: len(names)], strict=True))
        self._lost_cell = dict(zip(names, numbered[len(names) :], strict=True))
        make = ends_of_conversations if self._table == "conversations" else ends_of_hosts
        name = "conversations" if self._table == "conversations" else "hosts"
        self._ends: Ends = make(
            self._cells,
            (self._cell[name], self._rows[name]),
            (self._lost_cell[name], self._lost[name]),
            self._sorts,
            self._profile.site.lan,
        )
        self._possible = self._ends.possible

    def _sorts_of_ends(self) -> NDArray[np.int8]:
        """What each address known so far is."""
        interner = self._reduction.interner
        never = AddressRanges(NO_NETWORKS).contains(interner.addresses.all())
        sorts = np.where(never, np.int8(NEVER_OUTSIDE), np.int8(0))
        sorts[interner.inside_by_number] = INSIDE
        return sorts

    def _tell(self, tally: Tally) -> None:
        points, of = self._cells.points, self._cells.point

        def summed(values: NDArray[np.float64]) -> NDArray[np.float64]:
            return added_up(values, of, len(points))

        records = points.records(self._reduction, summed(self._ends.total("octets")))
        inside = tuple(summed(self._ends.inside_octets[:, end]) for end in range(2))
        tally.add_sums(records, summed(self._ends.total("flows")), inside)

    def _unclear_cells(self) -> NDArray[np.intp]:
        """Cells whose flows have to be read, as far as summaries tell."""
        tally = Tally(len(self._profile.link))
        self._tell(tally)
        decisions = decide(tally, self._reduction.interner, self._profile)
        found = self._effects(decisions, local_too=self._local_too or not decisions.links_apart)
        of_cells = self._of_cells(found)
        unclear = (of_cells == UNCLEAR).any(axis=1)
        of_rows = self._of_rows(found, of_cells)
        unclear[self._cell[self._table][(of_rows == UNCLEAR).any(axis=1)]] = True
        return np.flatnonzero(unclear)

    def _effects(self, decisions: Decisions, *, local_too: bool) -> Effects:
        wanted = Wanted.of(self._request, local_too=local_too)
        records = self._cells.points.records(self._reduction)
        return effects(records, decisions, self._profile, wanted)

    def _of_cells(self, found: Effects) -> Effects:
        """What becomes of the flows of each cell. Shape [cells, PLACES]."""
        effect = settled(found[self._cells.point], self._possible)
        if self._table == "conversations":  # their rows tell it each for itself
            effect[self._ends.folded("flows")[:, 0] == 0] = NOWHERE
        return effect

    def _of_rows(self, found: Effects, of_cells: Effects) -> Effects:
        """What becomes of the flows of each row. Shape [rows, PLACES]."""
        cell = self._cell[self._table]
        if self._table != "conversations":
            return of_cells[cell]
        rows = self._rows[self._table]
        return found[self._cells.point[cell], self._sorts[rows["src"]], self._sorts[rows["dst"]]]

    def _chosen(self, effect: NDArray[np.int8], counting: Counting) -> tuple[NDArray[np.intp], Columns]:
        """Rows that count in one place, and their keys."""
        kind, rows = self._request.kind, self._rows[self._table]
        if kind == "applications":
            at = np.flatnonzero(effect != NOWHERE)
            return at, self._named(rows, at, counting)
        inside_is_src = (effect & 1).astype(np.bool_)
        if kind == "conversations":
            at = np.flatnonzero(effect != NOWHERE)
            src, dst, first = rows["src"][at], rows["dst"][at], inside_is_src[at]
            ends = {"inside": np.where(first, src, dst), "outside": np.where(first, dst, src)}
            return at, ends | self._named(rows, at, counting)
        end = _end_of(kind, inside_is_src)
        at = np.flatnonzero((effect != NOWHERE) & (rows["end"] == end))
        return at, {"inside" if kind == "talkers" else "outside": rows["address"][at]}

    def _named(self, rows: Columns, at: NDArray[np.intp], counting: Counting) -> Columns:
        names = counting.name(rows["name"][at], rows["protocol"][at], rows["port"][at])
        return {"application": names.astype(np.int32)}

    def _find_unnamed(self) -> Unnamed:
        """Of what counts on links whatever is asked for."""
        decisions = decide(self._reduction.tally, self._reduction.interner, self._profile)
        records = self._cells.points.records(self._reduction)
        found = effects(
            records, decisions, self._profile, Wanted(None, None, needs_inside=True, local_too=False)
        )
        name = "conversations" if self._table == "conversations" else "hosts"
        rows, cell = self._rows[name], self._cell[name]
        if decisions.by_inside or not decisions.links_apart:
            found = np.full_like(found, NOWHERE)
        of_cells = self._of_cells(found)
        counting = ((of_cells != NOWHERE) & (of_cells != UNCLEAR)).any(axis=1)
        cells = self._cells
        place = cells.point.astype(np.int64) << _HOUR_BITS | cells.hour
        whole = ~np.isin(place, place[self._lost_cell[name]])
        if name == "hosts":
            effect = of_cells[cell]
            total = float(self._ends.total("octets")[counting].sum())
        else:
            effect = found[cells.point[cell], self._sorts[rows["src"]], self._sorts[rows["dst"]]]
            total = float(rows["octets"][(effect != NOWHERE).any(axis=1)].sum())
            total += float(self._ends.folded("octets")[counting, 0].sum())
        nobody = AddressRanges(NO_ADDRESS).contains(self._reduction.interner.addresses.all())
        sorts = self._sorts.copy()
        sorts[nobody[: len(sorts)]] = NEVER_OUTSIDE
        return unnamed(rows | {"cell": cell}, effect, sorts, whole[cell], total)

    def _lost_of(self, of_cells: Effects) -> Folded:
        """What was folded of what counts."""
        lost = Folded()
        if self._unnamed.copies and self._request.kind in ("talkers", "conversations"):
            lost = Folded(error=self._unnamed.total, octets_error=self._unnamed.total)
        table, cells = self._table, self._cells
        keys, error = (
            np.bincount(self._lost_cell[table], self._lost[table][name], len(cells))
            for name in ("keys", "error")
        )
        for place in range(PLACES):
            effect = of_cells[:, place]
            amounts = {name: self._lost_amounts(name, effect) for name in AMOUNTS}
            at = np.flatnonzero((effect != NOWHERE) & (amounts["flows"] > 0))
            some = {name: values[at] for name, values in amounts.items()}
            most = float(np.minimum(error[at], some["octets"]).sum())
            lost = lost.plus(
                Folded(
                    octets=float(some["octets"].sum()),
                    wire_octets=float(_framed(some, effect[at] >> 1).sum()),
                    packets=float(some["packets"].sum()),
                    flows=float(some["flows"].sum()),
                    keys=int(keys[at].sum()),
                    error=most,
                    octets_error=most,
                )
            )
        return lost

    def _lost_amounts(self, name: str, effect: NDArray[np.int8]) -> NDArray[np.float64]:
        """What was folded of each cell, of the end that is ranked where hosts are."""
        table = self._table
        if table != "hosts":
            return added_up(self._lost[table][name], self._lost_cell[table], len(self._cells))
        end = _end_of(self._request.kind, (effect & 1).astype(np.bool_))
        return self._ends.folded(name)[np.arange(len(effect)), end]

    def _check(self, counting: Counting) -> None:
        """Raises NeedsFlows where flows have to be compared with each other."""
        tally, interner = self._reduction.tally, self._reduction.interner
        decisions = decide(tally, interner, self._profile)
        sources = (np.where(decisions.counts, tally.records, 0.0).sum(axis=3) > 0).sum(axis=0)
        if counting.shift_ms.any() or (decisions.links_apart and (sources > 1).any()):
            raise NeedsFlows
        if self._unnamed.copies and self._unnamed.part > TRIFLE:
            raise NeedsFlows


def _end_of(kind: Kind, inside_is_src: NDArray[np.bool_]) -> NDArray[np.int8]:
    """Which end of flows is ranked: 0 the source, 1 the destination."""
    return np.where(inside_is_src == (kind == "talkers"), np.int8(0), np.int8(1))


def _framed(amounts: dict[str, NDArray[Any]], framing: NDArray[np.int8]) -> NDArray[np.float64]:
    """Octets with the framing that each row counts with (its number in FRAMINGS)."""
    framed = amounts["octets"].copy()
    for number, name in enumerate(FRAMINGS):
        rule = PER_PACKET[name]
        rows = np.flatnonzero(framing == number) if rule.added else ()
        if len(rows):
            framed[rows] += amounts[f"padding_{rule.least}"][rows] + rule.added * amounts["packets"][rows]
    return framed
