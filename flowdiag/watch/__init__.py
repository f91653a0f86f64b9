"""Each site's state, now and of the last day, from a store: what it is on, what is wrong, whether its exporter is heard.

`state.py` is what is told of a site, light enough for a server to import; `judging.py` takes it from a case by the diagnoser's
own findings and signals; `look.py` reads the case from a store.
"""

__all__ = ["look", "state"]
