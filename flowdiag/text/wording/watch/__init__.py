"""What the watch says, one module for each kind of thing that it says."""

__all__ = [
    "drill",
    "events",
    "incidents",
    "morning",
    "telling",
]
