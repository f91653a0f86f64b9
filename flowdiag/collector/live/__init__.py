"""The live collector: export messages from the network into the flow store, around the clock.

    exporters -> receiver -> spool (pcap segments) -> decoder -> store
                     \\____________ supervisor ____________/

A worker is a receiver and a decoder, two processes with the spool between them: what was received is on disk before
anything is made of it, and neither waits for the other. The supervisor starts them, passes signals on, and reports.
"""

__all__ = [
    "answering",
    "collecting",
    "metrics",
    "settings",
    "sockets",
]
