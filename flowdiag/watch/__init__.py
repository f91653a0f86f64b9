"""All sites all the time: each site's state, now and of the last day, from a store; which of its changes are told, and to whom.

`state.py` is what is known of a site, light enough for a server to import; `judging.py` takes it from a case by the diagnoser's
own findings and signals; `look.py` reads the case from a store. `event.py` is what is told, `part.py` what one watcher keeps of
some sites in a `ledger.py`.
"""

__all__ = [
    "as_json",
    "drill",
    "event",
    "failed",
    "gauges",
    "going_on",
    "holding",
    "ledger",
    "ledgers",
    "look",
    "notify",
    "notify_again",
    "notify_file",
    "part",
    "report",
    "sending",
    "service",
    "silenced",
    "state",
    "trying",
    "watcher",
]
