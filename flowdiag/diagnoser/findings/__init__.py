"""One file for each finding and nothing else: the folder's listing is the list of findings."""

__all__ = [
    "backup_leak",
    "below_plan",
    "cannot_tell",
    "inbound_flood",
    "not_the_link",
    "outage",
    "outbound_scan",
    "single_host",
    "unanswered_connections",
]
