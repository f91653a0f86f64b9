"""What the watch tells, one module for each thing that it makes."""

__all__ = [
    "telling",
]
