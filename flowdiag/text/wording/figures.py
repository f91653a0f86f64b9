"""What a note calls figures: headings, and columns of tables."""

from __future__ import annotations

from typing import Final

from flowdiag.durations import MINUTE_MS
from flowdiag.text.clock import duration
from flowdiag.text.figures import count, fine_percent, percent, plan_rate, rate, three_figures, volume
from flowdiag.text.wording.note import per_cent

WHO: Final = {"hosts": "Devices", "applications": "Applications", "destinations": "Destinations"}
UNKNOWN: Final = "unknown"
BACKUP: Final = "backup"
LINK_COLUMNS: Final = (
    "Link",
    "Direction",
    "Plan Mbit/s",
    "Mean",
    "95th pct.",
    "Peak",
    "Volume",
    "Busy minutes",
    "Full minutes",
)
NAME: Final = "Name"
RANKED_COLUMNS: Final = ("Volume", "Share", "Flows")


def and_more(left: int) -> str:
    return f"and {left} more"


def each(share: float) -> str:
    """Where no single one is worth naming."""
    return f"many, each {percent(share)}"


def parts(minutes: float, all_minutes: float) -> str:
    return f"{minutes:,g} of {all_minutes:,g}"


def with_gap(spell: str, gap_s: str) -> str:
    return f"{spell} (gap {gap_s} s)"


def all_others(share: float) -> str:
    return f'All others together have {percent(share)}; "flowdiag top" lists them.'


def minutes(told: str) -> str:
    """told: a number of them, or "29 of 30"."""
    return f"{told} minutes"


def number(key: str, value: float) -> str:
    """A figure of a finding's evidence with the unit that its key ends with."""
    if key == "capacity_mbps":
        return plan_rate(value)
    if key.endswith("_mbps"):
        return rate(value)
    if key.endswith("_octets") or key == "packet_bytes":
        return count(round(value), "octet")
    if key == "most_addresses_in_ten_minutes":
        return f"{value:,}"
    if key in ("minutes", "silent_minutes"):  # as the sentence of the finding has it
        return duration(value * MINUTE_MS)
    if key.startswith("minutes_") or "_minutes" in key:
        whole = value >= 10 or float(value).is_integer()
        return f"{int(value + 0.5):,} min" if whole else f"{value:.1f} min"
    if key.endswith("packets_s"):
        return f"{value:,.0f} packets a second"
    if key.endswith("_s"):
        return duration(value * 1000) if value >= 10 or value == 1 else f"{value:.2g} seconds"
    if key == "share" or key.endswith("_share") or key.startswith(("share_", "mean_share")):
        return fine_percent(value) if value else "0%"
    if key.endswith("_percent"):
        return per_cent(value)
    if key.endswith("_gb"):
        return f"{three_figures(value)} GB"
    if key in ("octets", "octets_down", "octets_up", "octets_a_day"):
        return volume(value)
    if key in ("port", "from_port"):
        return str(value)
    return f"{value:,}" if isinstance(value, int) else three_figures(value)
