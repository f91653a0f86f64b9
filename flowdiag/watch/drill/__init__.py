"""What a backup drill showed, planned or not: how long nothing was carried, which calls went on, what the backup carried and
what did not fit, and the return.

`drill.py` is what is told, light enough for a server to import; `measuring.py` takes it from a store; `rendering.py` writes it.
"""

__all__ = ["measuring", "of_incident", "rendering"]
