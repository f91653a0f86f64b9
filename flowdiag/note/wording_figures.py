"""What a note calls figures: names of evidence by their key in the JSON, and columns of tables. Ready for translation."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from flowdiag.text.figures import percent

# Names of evidence whose key, without its unit, would not read well.
NAMES: Final = {
    # Rates and minutes
    "capacity_mbps": "plan",
    "peak_mbps": "highest window",
    "p95_mbps": "95th percentile",
    "mean_down_mbps": "mean download",
    "mean_up_mbps": "mean upload",
    "mean_share_of_plan": "mean share of the plan",
    "share_of_plan": "share of the plan",
    "minutes_at_ceiling": "at the ceiling",
    "full_minutes_down": "download full",
    "full_minutes_up": "upload full",
    "usual_mbps": "usual at this time",
    "usual_days": "days compared with",
    "times_usual": "times the usual",
    "minutes": "lasted",
    "minutes_on_backup": "on the backup",
    # Volumes and shares
    "octets": "volume",
    "octets_down": "downloaded",
    "octets_up": "uploaded",
    "octets_a_day": "volume a day",
    "month_gb": "projected for a month",
    "least_month_gb": "if in the hours measured alone",
    "measured_hours": "hours measured",
    "allowance_gb": "monthly allowance",
    "share": "share of all traffic",
    "leak_share": "share of the site's traffic",
    "share_of_window": "share of the time looked at",
    "passes_allowance": "passes the allowance",
    "only": "carries only",
    # Failovers and outages
    "gap_s": "gap of the switch",
    "backup_was_full": "the backup was full",
    "still_on_backup": "still on the backup at the end of the export",
    "began_before_export": "began before the export",
    "followed_an_outage": "followed an outage",
    "fills_backup": "fills the backup",
    "at_work_shown_by": "that people were at work is shown by",
    "ongoing_at_end_of_export": "still going on at the end of the export",
    # Keepalives
    "interval_s": "planned interval",
    "cadence_s": "interval seen",
    "missing_s": "missing for",
    "unanswered_s": "unanswered for",
    "seen_at_all": "seen at other times",
    "packets_times_budget": "times the planned packets",
    "octets_times_budget": "times the planned octets",
    "packet_bytes": "planned packet",
    # Devices and places
    "hosts_active": "active devices",
    "hosts_affected": "devices affected",
    "hosts_trying": "devices that tried",
    "unanswered_share": "share unanswered",
    "marked_share": "share with priority marking",
    "mean_packets_s": "mean",
    "peak_packets_s": "peak",
    "usual_packets_s": "usual",
    "half_open": "connections left half open",
    "from_port": "port of the sources",
    "most_addresses_in_ten_minutes": "most addresses in ten minutes",
    "fills_link": "fills the link",
    "over_plan": "more than the plan can be",
    "confirms_mbps": "acknowledges",
    "maybe_offered": "metered before the link's queue",
    # The export
    "lost_records": "records lost",
    "estimated": "estimated from lost messages",
}
VALUES: Final[Mapping[str, Mapping[Any, str]]] = {
    "at_work_shown_by": {
        "attempts": "attempts to get out",
        "hours": "the working hours",
        "interrupted": "conversations that stopped and went on together",
        "abrupt": "how abruptly traffic stopped",
    },
    "protocol": {1: "ICMP", 6: "TCP", 17: "UDP", 47: "GRE", 50: "ESP", 58: "ICMPv6", 132: "SCTP"},
}

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
