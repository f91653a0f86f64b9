"""Where messages go, one module for each kind of target; `delivering.py` knows them all."""

__all__ = [
    "delivering",
]
