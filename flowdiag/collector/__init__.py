"""Export octets in, flow records out: files and stores are read by `export`, the network is heard by `live`."""

__all__ = [
    "clocks",
    "export",
    "frames",
    "live",
    "readers",
    "report",
    "span",
    "store",
    "untaught",
]
