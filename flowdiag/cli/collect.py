"""`flowdiag collect`: live exports into the flow store."""

from __future__ import annotations

import re
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Final

import click

from flowdiag.cli.options import talk_options
from flowdiag.cli.parameters import days, need_longer_rollups, port, seconds
from flowdiag.errors import UsageError

MAX_WORKERS: Final = 64
DEFAULT_METRICS_PORT: Final = 9474
# Where standard error is no terminal, the status goes to the log this often.
STATUS_EVERY_S: Final = 300.0
_OCTETS: Final = re.compile(r"(\d{1,6})\s*(k|m|g)i?b?", re.IGNORECASE)
_POWERS: Final = {"k": 10, "m": 20, "g": 30}


def _octets(ctx: click.Context, param: click.Parameter, value: str) -> int:
    match = _OCTETS.fullmatch(value.strip())
    octets = int(match[1]) << _POWERS[match[2].lower()] if match else 0
    if not 64 << 10 <= octets <= 64 << 30:
        raise click.BadParameter(f"{value[:40]!r} is not a size such as 256MiB (64KiB to 64GiB)")
    return octets


@click.command("collect")
@click.option(
    "--listen", "places", required=True, multiple=True, metavar="HOST:PORT",
    help="Where exporters send to; [::]:4739 is IPv6 and IPv4. May be given several times.",
)  # fmt: skip
@click.option(
    "--store", required=True, metavar="DIR", help="The store: a folder, or an address such as s3://…"
)
@click.option(
    "--spool", type=click.Path(file_okay=False, path_type=Path),
    help="Where datagrams are kept until they are in the store; inside a store that is a folder by default.",
)  # fmt: skip
@click.option("--allow", multiple=True, metavar="CIDR", help="Who may send; others are counted and dropped.")
@click.option(
    "--allow-file", "allow_files", multiple=True, type=click.Path(dir_okay=False, path_type=Path),
    help="The same, one network a line; read again on SIGHUP.",
)  # fmt: skip
@click.option(
    "--workers", type=click.IntRange(1, MAX_WORKERS), default=1, show_default=True,
    help="Processes that share the port; each has a decoder of its own.",
)  # fmt: skip
@click.option(
    "--rate", type=click.IntRange(1), default=100_000, show_default=True,
    help="Datagrams a second that one exporter may send; more are counted and dropped.",
)  # fmt: skip
@click.option(
    "--sync", "sync_s", default="1s", show_default=True, callback=seconds, metavar="DURATION",
    help="How often the spool is forced to disk: what a power cut may cost.",
)  # fmt: skip
@click.option(
    "--segment", "segment_s", default="60s", show_default=True, callback=seconds, metavar="DURATION",
    help="For how long a file of the spool is written; to the store goes each minute at its end.",
)  # fmt: skip
@click.option(
    "--segment-size", "segment_octets", default="256MiB", show_default=True, callback=_octets, metavar="SIZE",
    help="How large it gets.",
)  # fmt: skip
@click.option(
    "--buffer", default="64MiB", show_default=True, callback=_octets, metavar="SIZE",
    help="What the kernel is to hold while the collector is busy.",
)  # fmt: skip
@click.option(
    "--certificate", type=click.Path(dir_okay=False, path_type=Path),
    help="Certificate (PEM): connections have to be TLS then.",
)  # fmt: skip
@click.option(
    "--key",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Its key, if the certificate's file has none.",
)
@click.option(
    "--clients", type=click.Path(dir_okay=False, path_type=Path),
    help="Authorities (PEM) that exporters' own certificates have to come from.",
)  # fmt: skip
@click.option("--retain", metavar="DAYS", callback=days, help="Drop the days before the newest 90d, say.")
@click.option(
    "--retain-rollups", metavar="DAYS", callback=days,
    help="Keep sums and summaries of dropped days this long; they go with the flows by default.",
)  # fmt: skip
@click.option(
    "--metrics-port", default=str(DEFAULT_METRICS_PORT), show_default=True, callback=port, metavar="PORT",
    help="Counters and health for Prometheus, on loopback; 'none' for none.",
)  # fmt: skip
@talk_options
def command(
    places: tuple[str, ...],
    store: str,
    spool: Path | None,
    allow: tuple[str, ...],
    allow_files: tuple[Path, ...],
    workers: int,
    rate: int,
    sync_s: float,
    segment_s: float,
    segment_octets: int,
    buffer: int,
    certificate: Path | None,
    key: Path | None,
    clients: Path | None,
    retain: int | None,
    retain_rollups: int | None,
    metrics_port: int | None,
    quiet: bool,
) -> None:
    """Receive live exports into a flow store until it is told to stop.

    NetFlow v5, v9 and IPFIX by UDP, and IPFIX by TCP, all on one port. What comes is first written to the spool, which
    is a capture that any tool opens, and then decoded into the store. After a crash the spool is worked off, nothing
    twice. SIGTERM ends it cleanly, SIGHUP reads the allow list again.

    \b
    Example:
      flowdiag collect --listen 0.0.0.0:2055 --store flows --allow 192.0.2.0/24
      flowdiag collect --listen [::]:4739 --store /srv/flows --certificate collector.pem --retain 400d
    """
    from flowdiag.collector.live.collecting import collect
    from flowdiag.collector.live.settings import Settings
    from flowdiag.collector.live.sockets import read_address
    from flowdiag.collector.store.backends import is_url
    from flowdiag.rollup import ROLLER

    need_longer_rollups(retain, retain_rollups)
    if (key or clients) and certificate is None:
        raise UsageError("--key and --clients need a --certificate")
    if spool is None and is_url(store):
        raise UsageError("a store that is not a folder needs a --spool", expected="a folder on a local disk")
    settings = Settings(
        store=store,
        spool=(spool or Path(store) / "_flowdiag" / "spool").absolute(),
        workers=workers,
        allow=allow,
        allow_files=tuple(path.absolute() for path in allow_files),
        rate=rate,
        sync_s=sync_s,
        segment_s=segment_s,
        segment_octets=segment_octets,
        buffer=buffer,
        certificate=certificate,
        key=key,
        clients=clients,
        retain=retain,
        retain_rollups=retain_rollups,
        roller=ROLLER,
    )
    printer = _Printer(quiet=quiet)
    collect(
        settings,
        [read_address(place) for place in places],
        metrics_port=metrics_port,
        say=printer.say,
        status=printer.status,
    )


class _Printer:
    """Lines on standard error; on a terminal the status stands below them and is written over.

    Where they cannot be written, as on a disk that is full, they are lost: that is no reason to stop collecting.
    """

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet
        self._terminal = sys.stderr.isatty()
        self._last = time.monotonic()

    def say(self, text: str) -> None:
        from flowdiag.text.escape import terminal

        with suppress(OSError):
            click.echo(("\r\x1b[K" if self._terminal else "") + f"flowdiag: {terminal(text)}", err=True)

    def status(self, text: str) -> None:
        if self._quiet:
            return
        if self._terminal:
            columns = click.get_current_context().terminal_width or 120
            with suppress(OSError):
                click.echo("\r\x1b[K" + text[: columns - 1], nl=False, err=True)
        elif time.monotonic() - self._last >= STATUS_EVERY_S:
            self._last = time.monotonic()
            self.say(text)
