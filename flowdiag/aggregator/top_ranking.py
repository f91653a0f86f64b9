"""What `flowdiag top` is asked for and what it gives; and a ranking from a partial aggregate."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec import Struct
from msgspec.structs import replace

from flowdiag.aggregator.partials import Measure, Partial
from flowdiag.aggregator.remark import Remark
from flowdiag.aggregator.report_windows import Asked
from flowdiag.aggregator.top_keys import Conversation, Keys, Kind
from flowdiag.buffers import column, numbers


class Request(Struct, frozen=True):
    """What to rank. link: position in the profile; direction: 0 down, 1 up; None for all.

    limit: rows, None for all; step_ms: also a ranking for each window of this length; peaks: look for the highest minute of
    each row, which takes another pass.
    """

    kind: Kind
    by: Measure = "octets"
    limit: int | None = 20
    link: int | None = None
    direction: int | None = None
    window_from: str | None = None
    window_to: str | None = None
    step_ms: int | None = None
    peaks: bool = True

    @property
    def asked(self) -> Asked:
        """Which ends of the window are given."""
        return Asked(begin=self.window_from is not None, end=self.window_to is not None)


class TopRow(Struct, frozen=True):
    """share: of the total in the measure ranked by, 0 to 1. Rates in Mbit/s, framing of the link included; the peak
    is that of a minute, None beyond MAX_PEAK_CELLS and in rankings of windows.

    address: 16 octets of a talker or destination, or of the outside end of a conversation. bound_octets: the most octets
    that the row may lack; 0 where it is exact.
    """

    key: str | Conversation
    label: str | None
    octets: int
    packets: int
    flows: int
    share: float
    mean_mbps: float
    peak_mbps: float | None
    first_ms: int
    last_ms: int
    address: bytes | None = None
    bound_octets: int = 0


class Ranking(Struct, frozen=True):
    """One ranking, with what is not shown, so that shares add up to 1. window_ms: [from, to) since 1970 UTC."""

    window_ms: tuple[int, int]
    rows: tuple[TopRow, ...]
    rest_octets: int
    rest_share: float
    total_octets: int
    total_packets: int
    total_flows: int


class Top(Struct, frozen=True):
    """link: name of the one asked for; whole: over all of the window; steps: window by window, where asked for.

    folded_keys: keys counted together because there were too many; error: what one key may have lost by that, in
    the measure ranked by. Both are 0 where the ranking is exact. remarks: what bounds the figures.
    """

    request: Request
    link: str | None
    timezone: str
    whole: Ranking
    steps: tuple[Ranking, ...]
    folded_keys: int
    error: float
    remarks: tuple[Remark, ...] = ()


def ranked(
    table: pa.Table,
    window_ms: tuple[int, int],
    keys: Keys,
    request: Request,
    partial: Partial | None = None,
    bound_octets: int = 0,
) -> tuple[list[dict[str, Any]], Ranking]:
    """The largest rows of a partial's table, as they are and as a ranking.

    partial: where folded keys count in the total, the partial that the table is of; bound_octets: the most that a row may
    lack.
    """
    by = request.by
    # Equal ones stay in the table's order, which is that of the keys.
    order = np.argsort(-numbers(table[by].combine_chunks()), kind="stable")[: request.limit]
    largest = table.take(column(order)).to_pylist()
    total = {
        measure: float(pc.sum(table[measure]).as_py() or 0.0) if partial is None else partial.total(measure)
        for measure in ("octets", "packets", "flows")
    }
    length_ms = max(window_ms[1] - window_ms[0], 1)
    rows = tuple(
        replace(_row(row, total[by], length_ms, keys, by), bound_octets=bound_octets) for row in largest
    )
    return largest, Ranking(
        window_ms=window_ms,
        rows=rows,
        rest_octets=max(round(total["octets"]) - sum(row.octets for row in rows), 0),
        rest_share=max(1.0 - sum(row.share for row in rows), 0.0) if total[by] else 0.0,
        total_octets=round(total["octets"]),
        total_packets=round(total["packets"]),
        total_flows=round(total["flows"]),
    )


def _row(row: dict[str, Any], total: float, length_ms: int, keys: Keys, by: Measure) -> TopRow:
    key, label, address = keys.named(row)
    return TopRow(
        key=key,
        label=label,
        octets=round(row["octets"]),
        packets=round(row["packets"]),
        flows=round(row["flows"]),
        share=row[by] / total if total else 0.0,
        mean_mbps=row["wire_octets"] * 8 / length_ms / 1000.0,
        peak_mbps=None,
        first_ms=row["first_ms"],
        last_ms=row["last_ms"],
        address=address,
    )
