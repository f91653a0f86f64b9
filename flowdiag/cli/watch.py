"""`flowdiag watch`: all sites all the time, and who is told what began and ended."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from flowdiag.cli.chosen import store_and_sites, store_options
from flowdiag.cli.options import cluster_option, jobs_option, output_options, talk_options
from flowdiag.cli.parameters import port, seconds
from flowdiag.cli.watch_beside import Where, asked_beside, beside_options, refuse_forms
from flowdiag.collector.store.prepare import prepare
from flowdiag.errors import FlowdiagError

if TYPE_CHECKING:
    from flowdiag.watch.event import Event
    from flowdiag.watch.notify_again import NotifyAgain
    from flowdiag.watch.service import Settings
    from flowdiag.watch.watcher import Round, Watcher

BEGAN: Final = 3  # exit code of --once where something began
STATUS_EVERY_S: Final = 300.0
_FILE: Final = click.Path(dir_okay=False, path_type=Path)


@click.command("watch")
@store_options
@click.option(
    "--every", "every_s", default="60s", show_default=True, callback=seconds, metavar="DURATION",
    help="How often every site is looked at.",
)  # fmt: skip
@click.option(
    "--once", is_flag=True,
    help="Look once, print what changed and end, for a scheduler; exit code 3 if something began.",
)  # fmt: skip
@click.option("--notify", metavar="FILE.toml", type=_FILE, help="Whom to tell: webhooks, mail, commands.")
@click.option(
    "--metrics-port", default="none", show_default=True, callback=port, metavar="PORT",
    help="Serve a gauge for each site, link and finding, for Prometheus, on loopback.",
)  # fmt: skip
@beside_options
@jobs_option("Sites looked at at the same time; one for each processor by default.")
@cluster_option
@output_options("text", "html", "csv", "json")
@talk_options
def command(
    store: str | None,
    folder: Path | None,
    config: Path | None,
    every_s: float,
    once: bool,
    notify: Path | None,
    metrics_port: int | None,
    jobs: int | None,
    cluster: str | None,
    form: str | None,
    output: Path | None,
    quiet: bool,
    **beside: Any,
) -> None:
    """Watch all sites: what began, what goes on, what ended.

    Each change is a line of JSON on standard output and a message to those whom --notify names. What was told is kept in the
    store: nothing is told twice or lost, whenever the watch ends, and two watches share the sites.

    \b
    Example:
      flowdiag watch --store flows --sites sites/
      flowdiag watch --store flows --sites sites/ --notify notify.toml
      flowdiag watch --store flows --sites sites/ --once
      flowdiag watch --store flows --sites sites/ --report --output morning.html
      flowdiag watch --store flows --incidents
      flowdiag watch --store flows --acknowledge 2br3jaagsumm6jse --until 4h --reason "fault opened with the carrier"
    """
    jobs = jobs or os.cpu_count() or 1
    asked = asked_beside(beside)
    where = Where(store, folder, config, notify, jobs, cluster, form, output, quiet)
    refuse_forms(where, beside)
    if asked is not None:
        sys.exit(asked(where, beside))
    store, folder = store_and_sites(store, folder, config)
    if jobs > 1 and cluster is None:
        prepare("flowdiag.watch.site_task")
    from flowdiag.watch.notify import Notify
    from flowdiag.watch.service import Settings

    told, again = Notify(), None
    if notify is not None:
        from flowdiag.watch.notify_again import NotifyAgain

        again = NotifyAgain(notify)
        told = again.read()
    settings = Settings(store, folder, told, jobs, cluster)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    if once:
        sys.exit(_once(settings, stop))
    _on(settings, again, every_s, metrics_port, stop, quiet=quiet)


def _once(settings: Settings, stop: threading.Event) -> int:
    from flowdiag.watch.sending import not_taking
    from flowdiag.watch.service import watch_once, watching

    began = False

    def write(events: Sequence[Event]) -> None:
        nonlocal began
        began |= any(event.state == "began" for event in events)
        _print(events)

    with watching(settings, write, stop) as (watcher, holding):
        _say_faults(watch_once(watcher, holding, stop), {})
        _say_targets(not_taking(part for part, _ in holding.held.values()), {})
    return BEGAN if began else 0


def _on(
    settings: Settings,
    again: NotifyAgain | None,
    every_s: float,
    metrics_port: int | None,
    stop: threading.Event,
    *,
    quiet: bool,
) -> None:
    from flowdiag.collector.live.answering import serving
    from flowdiag.collector.live.metrics import notify
    from flowdiag.watch.gauges import WatchGauges
    from flowdiag.watch.sending import not_taking
    from flowdiag.watch.service import watching

    faults: dict[str, str] = {}
    targets: dict[str, str] = {}
    said = -STATUS_EVERY_S

    def told(done: Round) -> None:
        nonlocal said
        gauges.done(done)
        notify("READY=1")
        _say_faults(done, faults)
        _say_targets(not_taking(part for part, _ in holding.held.values()), targets)
        if not quiet and time.monotonic() - said >= STATUS_EVERY_S:
            said = time.monotonic()
            mine = f"looked at {done.sites} sites in {done.took_s:.1f} s"
            _say(mine if holding.held else "another watch looks after all sites; this one waits for its end")
        _renew(watcher, again)

    def failed(error: FlowdiagError) -> None:
        gauges.failed(error)
        _say(f"{error}; it is tried again")

    with watching(settings, _print, stop) as (watcher, holding):
        gauges = WatchGauges(lambda: holding.held, every_s)
        with serving(gauges, gauges.wrong, metrics_port):
            watcher.run(every_s, told, failed)
        notify("STOPPING=1")


def _renew(watcher: Watcher, again: NotifyAgain | None) -> None:
    """By the notify file as it is now; what it said before goes on where it has mistakes."""
    try:
        notify = None if again is None else again.changed()
        if notify is not None:
            watcher.renew(notify)
            _say("the notify file has changed, and is followed from now on")
    except FlowdiagError as error:
        _say(f"{error}; what it said before is followed until it is mended")


def _print(events: Sequence[Event]) -> None:
    from flowdiag.watch.as_json import event_line

    try:
        for event in events:
            click.echo(event_line(event))
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise FlowdiagError(
            f"standard output cannot be written ({error.strerror or error})",
            advice="what was to be printed is printed by the next watch",
        ) from error


def _say_faults(done: Round, known: dict[str, str]) -> None:
    """Sites that cannot be looked at, and profiles that cannot be used: each when that begins."""
    for site, fault in sorted(done.faults.items()):
        if known.get(site) != fault:
            _say(fault if fault.startswith(site) else f"{site} cannot be looked at: {fault}")
    known.clear()
    known.update(done.faults)


def _say_targets(now: dict[str, str], known: dict[str, str]) -> None:
    """Targets that do not take messages: each when that begins, and when it is over."""
    for target, fault in sorted(now.items()):
        if target not in known:
            _say(f"{target} does not take messages: {fault}; it is tried again")
    for target in sorted(known.keys() - now.keys()):
        _say(f"{target}: no message waits any more")
    known.clear()
    known.update(now)


def _say(text: str) -> None:
    from flowdiag.text.escape import terminal

    with suppress(OSError):  # a log that cannot be written is no reason to stop
        click.echo(f"flowdiag: {terminal(text)}", err=True)
