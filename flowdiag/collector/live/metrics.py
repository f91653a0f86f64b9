"""Counters for machines: what Health knows as metrics of Prometheus, and the service manager's notice.

Facts the design follows:
- names and types are those that Prometheus asks for: counters end in _total, which the client library adds; times are
  seconds, and one that counts from 1970 is called a timestamp;
- systemd learns the state by datagrams to the socket that it names in NOTIFY_SOCKET (sd_notify(3)).
"""

from __future__ import annotations

import os
import socket
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from typing import Any, Final

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from flowdiag.collector.live.counters import Decoded, Received, busiest
from flowdiag.collector.live.health import Health

_PREFIX: Final = "flowdiag_collect_"

# Each number of Received and Decoded: its name there, which is the metric's too, and what it is.
COUNTERS: Final = (
    ("datagrams", "Datagrams and messages taken from exporters that may send."),
    ("not_allowed", "Datagrams refused because the sender is not on the allow list."),
    ("limited", "Datagrams refused because their exporter sent more than its rate."),
    ("kernel_drops", "Datagrams that the kernel dropped because they came faster than they were taken."),
    ("unspooled", "Datagrams lost because the spool could not be written, or its files were removed."),
    ("spooled", "Datagrams written to the spool."),
    ("synced", "Datagrams of the spool that were forced to disk."),
    ("octets", "Octets written to the spool."),
    ("connections_refused", "Connections refused."),
    ("connections_displaced", "Connections that gave way to newcomers because they had sent no data lately."),
    ("connections_slow", "Connections closed because nothing, or no whole message, came in time."),
    ("connections_broken", "Connections closed because what came was no IPFIX or TLS failed."),
    ("senders_forgotten", "Exporters whose rate and count were forgotten because there were too many."),
    ("segments", "Spool segments, and parts of them, added to the store."),
    ("known", "Spool segments that were in the store already."),
    ("set_aside", "Spool segments set aside because a fault of the program kept them from being decoded."),
    ("records", "Flow records added to the store."),
    ("messages", "Export messages decoded."),
    ("lost_messages", "Messages lost before they came here, by the exporters' sequence numbers."),
    ("lost_records", "Flow records lost before they came here, by the exporters' sequence numbers."),
    ("undecoded", "Data sets that could not be decoded."),
    (
        "forgotten",
        "Exporters whose templates were forgotten because there were too many, or they kept too much.",
    ),
    ("evicted", "Templates and observation domains forgotten because their exporter sent too many."),
    ("kept", "Messages kept in the spool because their template had not come."),
    (
        "deferred",
        "Messages kept in the spool because their exporter is new, or costs too much, and has to wait.",
    ),
    ("given_up", "Messages given up because more was to be kept than there is room for."),
    ("late", "Flow records of messages that were kept, added to the store later; part of records."),
    ("damaged", "Damaged places in spool segments."),
    ("swept", "Files removed from the store that writers which died had left there."),
    ("merged", "Partitions of the store whose small files were merged."),
    ("dropped_days", "Partitions dropped from the store because of their age."),
    ("rollups_failed", "Files of the store whose roll-up could not be made; questions read their flows."),
    ("rollups_rebuilt", "Damaged roll-ups of the store that were made anew from their flows."),
)
# The same of what is true now: name there, name of the metric, what it is.
GAUGES: Final = (
    ("connections", "connections", "Connections that are open."),
    ("decoders", "decoders", "Exporters whose templates are known."),
    (
        "waiting_segments",
        "waiting_segments",
        "Closed spool segments, and parts of one, that are not in the store yet.",
    ),
    ("waiting_octets", "waiting_octets", "Octets of these."),
    ("kept_segments", "kept_segments", "Files of messages that are kept in the spool."),
    ("kept_octets", "kept_octets", "Octets of these."),
)
# By exporter: index in the counts of Received.exporters and Decoded.exporters, name of the metric, what it is.
_OF_RECEIVED: Final = (
    (0, "exporter_datagrams", "Datagrams and messages of each exporter, the busiest ones."),
    (1, "exporter_limited", "Datagrams refused because of the rate."),
)
_OF_DECODED: Final = (
    (0, "exporter_records", "Flow records of each exporter that were decoded."),
    (
        1,
        "exporter_lost_messages",
        "Messages of each exporter lost before they came here, by sequence numbers.",
    ),
    (2, "exporter_lost_records", "Flow records lost likewise."),
)


class HealthCollector(Collector):
    """Gives the registry what Health knows."""

    def __init__(self, health: Health) -> None:
        self._health = health

    def collect(self) -> Iterable[Metric]:
        health = self._health
        received, decoded = health.received, health.decoded
        for name, text in COUNTERS:
            yield CounterMetricFamily(_PREFIX + name, text, _value(name, received, decoded))
        for name, metric_name, text in GAUGES:
            yield _gauge(metric_name, text, _value(name, received, decoded))
        yield _gauge(
            "waiting_seconds",
            "For how long the oldest closed spool segment has waited, as of now.",
            health.waiting_s,
        )
        yield _gauge("healthy", "1 if nothing is wrong now.", not health.wrong)
        yield from _by_exporter(_OF_RECEIVED, busiest(received.exporters))
        yield _last_heard(received)
        yield from _by_exporter(_OF_DECODED, busiest(decoded.exporters))


def _value(name: str, received: Received, decoded: Decoded) -> Any:
    return getattr(received if hasattr(received, name) else decoded, name)


def _gauge(name: str, text: str, value: float) -> Metric:
    return GaugeMetricFamily(_PREFIX + name, text, value)


def _by_exporter(
    table: Iterable[tuple[int, str, str]], exporters: Mapping[str, tuple[int, ...]]
) -> Iterator[Metric]:
    for index, name, text in table:
        family = CounterMetricFamily(_PREFIX + name, text, labels=["exporter"])
        for exporter, counts in sorted(exporters.items()):
            family.add_metric([exporter], counts[index])
        yield family


def _last_heard(received: Received) -> Metric:
    text = "When the last datagram or message of each exporter came."
    family = GaugeMetricFamily(_PREFIX + "exporter_last_heard_timestamp_seconds", text, labels=["exporter"])
    for exporter in sorted(busiest(received.exporters).keys() & received.heard.keys()):
        family.add_metric([exporter], received.heard[exporter])
    return family


def notify(state: str) -> None:
    """Notifies systemd if NOTIFY_SOCKET is set: READY=1, STOPPING=1, RELOADING=1, STATUS=…, WATCHDOG=1."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.sendto(state.encode(), "\0" + address[1:] if address.startswith("@") else address)
