"""Small tables that people handle, as pandas has them: what Python programs get, and what CSV and spreadsheets are made of.

Loads pandas, so commands import it where such a table is asked for and nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np
import pandas as pd
from msgspec.structs import asdict

from flowdiag.aggregator.top_keys import Conversation, Kind
from flowdiag.aggregator.top_ranking import Ranking
from flowdiag.aggregator.usage_report import STATES, UNKNOWN, UsageReport

_MEASURES: Final = {
    **dict.fromkeys(("octets", "packets", "flows"), "int64"),
    **dict.fromkeys(("share", "mean_mbps", "peak_mbps"), "float64"),
    "bound_octets": "int64",
}


def usage_frame(report: UsageReport) -> pd.DataFrame:
    """One row a window of each link and direction. Index and columns: see flowdiag.usage()."""
    parts = []
    for one in report.links:
        known = one.state != UNKNOWN
        rates = {
            name: np.where(known, getattr(one, name), np.nan) for name in ("mbps", "lower_mbps", "upper_mbps")
        }
        parts.append(
            pd.DataFrame(
                {
                    "link": one.name,
                    "direction": one.direction,
                    "start": times(one.edges_ms[:-1], report.timezone),
                    "seconds": np.diff(one.edges_ms) / 1000,
                    "capacity_mbps": float(one.figures.capacity_mbps),
                    **rates,
                    "state": pd.Categorical([STATES[code] for code in one.state.tolist()], categories=STATES),
                }
            )
        )
    return pd.concat(parts, ignore_index=True).set_index(["link", "direction", "start"])


def ranking_frame(ranking: Ranking, kind: Kind, zone: str) -> pd.DataFrame:
    """One row a place of a ranking. Index and columns: see flowdiag.top()."""
    rows = ranking.rows
    index = pd.RangeIndex(1, len(rows) + 1, name="rank")

    def column(values: Iterable[Any], dtype: str) -> pd.Series[Any]:
        return pd.Series(list(values), index=index, dtype=dtype)

    keys = [asdict(row.key) if isinstance(row.key, Conversation) else {"key": row.key} for row in rows]
    columns: dict[str, Any] = {name: column((key[name] for key in keys), "str") for name in key_columns(kind)}
    columns["label"] = column((row.label for row in rows), "object")
    for name, dtype in _MEASURES.items():
        columns[name] = column((getattr(row, name) for row in rows), dtype)
    for name in ("first", "last"):
        columns[name] = times((getattr(row, f"{name}_ms") for row in rows), zone)
    return pd.DataFrame(columns, index=index)


def key_columns(kind: Kind) -> list[str]:
    """What tells a row of a ranking."""
    return ["inside", "outside", "application"] if kind == "conversations" else ["key"]


def times(times_ms: Iterable[int], zone: str) -> pd.DatetimeIndex:
    """Times in ms since 1970 UTC as pandas has them, in a zone."""
    return pd.to_datetime(list(times_ms), unit="ms", utc=True).as_unit("ms").tz_convert(zone)
