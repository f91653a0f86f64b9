"""One file for each container: captures, files of messages, Parquet; what they yield are datagrams."""

__all__ = [
    "container",
    "density",
    "framing",
    "inputs",
    "packets",
    "parquet",
    "pcap",
    "source",
    "stored_flows",
    "window",
]
