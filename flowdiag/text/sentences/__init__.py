"""What findings and verdicts say."""

__all__ = [
    "actions",
    "all_clear",
    "asymmetric_path",
    "backup",
    "below_plan",
    "beyond",
    "comparison",
    "devices",
    "links",
    "load",
    "times",
    "verdict",
]
