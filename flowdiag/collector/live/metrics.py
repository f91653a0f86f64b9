"""Counters and health for machines: a Prometheus text endpoint on loopback, and the service manager's.

Facts the design follows:
- /metrics in the Prometheus text format, /health with 200 or 503 and what is wrong; loopback only, since names of
  exporters are nobody else's business: whoever wants them elsewhere puts a proxy of their own before it;
- systemd learns the state by datagrams to the socket that it names in NOTIFY_SOCKET (sd_notify(3)).
"""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final
from wsgiref.simple_server import WSGIRequestHandler, make_server

from prometheus_client import CollectorRegistry, make_wsgi_app
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from flowdiag.collector.live.health import Health
from flowdiag.errors import UsageError

LOOPBACK: Final = "127.0.0.1"
_PREFIX: Final = "flowdiag_collect_"

_COUNTERS: Final = (
    ("datagrams", "Datagrams and messages taken from exporters that may send."),
    ("not_allowed", "Datagrams refused because the sender is not on the allow list."),
    ("limited", "Datagrams refused because their exporter sent more than its rate."),
    ("kernel_drops", "Datagrams that the kernel dropped because they came faster than they were taken."),
    ("unspooled", "Datagrams lost because the spool could not be written."),
    ("spooled", "Datagrams written to the spool."),
    ("synced", "Datagrams of the spool that were forced to disk."),
    ("octets", "Octets written to the spool."),
    ("connections_refused", "Connections refused."),
    ("connections_broken", "Connections closed because what came was no IPFIX or TLS failed."),
    ("senders_forgotten", "Exporters whose rate and count were forgotten because there were too many."),
    ("segments", "Spool segments added to the store."),
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
    ("merged", "Partitions of the store whose small files were merged."),
    ("dropped_days", "Partitions dropped from the store because of their age."),
)
_GAUGES: Final = (
    ("connections", "Connections that are open."),
    ("waiting_segments", "Closed spool segments that are not in the store yet."),
    ("waiting_octets", "Octets of these."),
    ("kept_segments", "Files of messages that are kept in the spool."),
    ("kept_octets", "Octets of these."),
    ("waiting_s", "Age of the oldest of these in seconds."),
)


class HealthCollector(Collector):
    """Gives the registry what Health knows."""

    def __init__(self, health: Health) -> None:
        self._health = health

    def collect(self) -> Iterable[Metric]:
        received, decoded = self._health.received, self._health.decoded
        for name, text in _COUNTERS:
            value = getattr(received, name, None)
            yield CounterMetricFamily(
                _PREFIX + name, text, getattr(decoded, name, 0) if value is None else value
            )
        for name, text in _GAUGES:
            value = getattr(received, name, None)
            name = name.replace("_s", "_seconds") if name.endswith("_s") else name
            yield GaugeMetricFamily(
                _PREFIX + name, text, getattr(decoded, name, 0) if value is None else value
            )
        wrong = self._health.wrong
        yield GaugeMetricFamily(_PREFIX + "healthy", "1 if nothing is wrong now.", not wrong)
        by_exporter = CounterMetricFamily(
            _PREFIX + "exporter_datagrams",
            "Datagrams of each exporter, the busiest ones.",
            labels=["exporter"],
        )
        over = CounterMetricFamily(
            _PREFIX + "exporter_limited", "Datagrams refused because of the rate.", labels=["exporter"]
        )
        for exporter, (taken, limited) in sorted(received.exporters.items()):
            by_exporter.add_metric([exporter], taken)
            over.add_metric([exporter], limited)
        yield by_exporter
        yield over


class _Quiet(WSGIRequestHandler):
    def log_message(self, format: str, *args: object) -> None:
        """Each question would be a line in the log."""


@contextmanager
def serving(health: Health, port: int | None) -> Iterator[int | None]:
    """Serves on loopback meanwhile; gives the port, None for none. Raises UsageError for a port that is taken."""
    if port is None:
        yield None
        return
    registry = CollectorRegistry(auto_describe=False)
    registry.register(HealthCollector(health))
    metrics: Callable[..., Iterable[bytes]] = make_wsgi_app(registry)

    def app(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        if environ.get("PATH_INFO") != "/health":
            return metrics(environ, start_response)
        wrong = health.wrong
        status = "503 Service Unavailable" if wrong else "200 OK"
        start_response(status, [("Content-Type", "text/plain; charset=utf-8")])
        return ["".join(f"{text}\n" for text in wrong.values() or ["ok"]).encode()]

    try:
        server = make_server(LOOPBACK, port, app, handler_class=_Quiet)
    except OSError as error:
        raise UsageError(
            f"the metrics cannot be served at {LOOPBACK}:{port} ({error.strerror or error})",
            expected="a free port for --metrics-port, or 'none'",
        ) from error
    thread = threading.Thread(target=server.serve_forever, name="metrics", daemon=True)
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def notify(state: str) -> None:
    """Tells systemd, if it asked to be told: READY=1, STOPPING=1, RELOADING=1, STATUS=…, WATCHDOG=1."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.sendto(state.encode(), "\0" + address[1:] if address.startswith("@") else address)
