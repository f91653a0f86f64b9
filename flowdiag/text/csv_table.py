"""Tables as CSV (RFC 4180), formulas neutralised."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from flowdiag.text.escape import csv_cell

if TYPE_CHECKING:
    import pandas as pd


def csv_table(
    frame: pd.DataFrame, columns: Iterable[str], forms: Mapping[str, Callable[[Any], str]] | None = None
) -> str:
    """Columns of a frame or of its index as CSV.

    forms: how numbers and times of a column are written; what is missing is empty, text goes as it is, neutralised.
    """
    import pandas as pd

    flat, forms = frame.reset_index(), forms or {}
    cells = {
        name: ["" if pd.isna(value) else forms.get(name, _cell)(value) for value in flat[name]]
        for name in columns
    }
    return pd.DataFrame(cells, dtype="object").to_csv(index=False, lineterminator="\n")


def _cell(value: Any) -> str:
    return csv_cell(value) if isinstance(value, str) else str(value)
