"""What rows of a ranking stand for: talkers, destinations, applications, conversations."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.addresses import to_text
from flowdiag.aggregator.applications import Catalogue
from flowdiag.aggregator.labels import Labels
from flowdiag.aggregator.partials import Partial, with_values
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.buffers import address_column, column, numbers, text_column

Kind = Literal["talkers", "applications", "destinations", "conversations"]
KINDS: Final[tuple[Kind, ...]] = ("talkers", "applications", "destinations", "conversations")
_COLUMNS: Final[dict[Kind, tuple[str, ...]]] = {
    "talkers": ("inside",),
    "applications": ("application",),
    "destinations": ("outside",),
    "conversations": ("inside", "outside", "application"),
}
_BITS: Final = 21  # of a number within a packed code: 2 million addresses, and far fewer names


class Conversation(Struct, frozen=True):
    inside: str
    outside: str
    application: str


class Keys:
    """The key columns of one kind of ranking, as numbers and as the values that they stand for."""

    def __init__(self, kind: Kind, labels: Labels, addresses: Sequence[bytes], rules: Catalogue) -> None:
        self.kind = kind
        self.columns = _COLUMNS[kind]
        self._labels = labels
        self._rules = rules
        self._addresses = address_column(addresses)

    @property
    def types(self) -> dict[str, pa.DataType]:
        """Types of the key columns as numbers."""
        return dict.fromkeys(self.columns, pa.int32())

    def columns_of(self, flows: SiteFlows) -> dict[str, pa.Array]:
        """The key columns of some flows, as numbers."""
        return {name: column(getattr(flows, name)) for name in self.columns}

    def with_values(self, partial: Partial, applications: Sequence[str]) -> Partial:
        """A partial of numbers by the values. applications: the names that application numbers stand for."""
        names = text_column(applications)
        pools = {name: names if name == "application" else self._addresses for name in self.columns}
        return with_values(partial, pools)

    def row_of(self, flows: SiteFlows, rows: Sequence[dict[str, Any]]) -> NDArray[np.int32]:
        """Which of the rows (dicts with the key columns, all different) each flow belongs to, -1 for none."""
        if not len(flows) or not rows:
            return np.full(len(flows), -1, np.int32)
        applications = {name: number for number, name in enumerate(flows.applications)}
        addresses = self._numbers_of(rows)
        codes = np.zeros(len(flows), np.int64)
        wanted = np.zeros(len(rows), np.int64)
        for name in self.columns:
            known = applications if name == "application" else addresses
            codes = codes << _BITS | getattr(flows, name)
            # A name that no flow of these has gets a number that none has.
            wanted = wanted << _BITS | np.array([known.get(row[name], (1 << _BITS) - 1) for row in rows])
        order = np.argsort(wanted, kind="stable")
        index = np.minimum(np.searchsorted(wanted[order], codes), len(rows) - 1)
        return np.where(wanted[order][index] == codes, order[index], -1).astype(np.int32)

    def _numbers_of(self, rows: Sequence[dict[str, Any]]) -> dict[bytes, int]:
        """The numbers of the addresses in some rows; a table of all addresses would weigh as much as they do."""
        sought = {row[name] for row in rows for name in self.columns if name != "application"}
        found = pc.indices_nonzero(pc.is_in(self._addresses, value_set=address_column([*sought])))
        return dict(zip(self._addresses.take(found).to_pylist(), numbers(found).tolist(), strict=True))

    def named(self, row: dict[str, Any]) -> tuple[str | Conversation, str | None, bytes | None]:
        """What to show of a row with the key columns: its key, its label, and the address to look up, if any.

        The label of an application is its plain-language class, that of a conversation its outside end's.
        """
        if self.kind == "applications":
            return row["application"], self._rules.class_of(row["application"]), None
        if self.kind == "conversations":
            key = Conversation(to_text(row["inside"]), to_text(row["outside"]), row["application"])
            return key, self._labels.label(row["outside"]), row["outside"]
        address = row[self.columns[0]]
        return to_text(address), self._labels.label(address), address
