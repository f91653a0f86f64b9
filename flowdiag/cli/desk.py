"""`flowdiag desk`: the web page for people who do not use a terminal."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import click

from flowdiag.cli.chosen import config_option, store_and_sites

DEFAULT_LISTEN: Final = "127.0.0.1:8080"
DEMO_FOLDER: Final = "flowdiag-desk-demo"


@click.command("desk")
@click.option("--store", metavar="DIR", help="The store: a folder, or an address such as s3://…")
@click.option(
    "--sites",
    "folder",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="The site profiles; those in a folder below it belong to one client.",
)
@config_option
@click.option(
    "--listen", default=DEFAULT_LISTEN, show_default=True, metavar="HOST:PORT", help="Where it listens."
)
@click.option(
    "--state",
    metavar="FOLDER",
    type=click.Path(file_okay=False, path_type=Path),
    help="Where notes and the audit log are kept; inside a store that is a folder by default.",
)
@click.option(
    "--demo",
    metavar="[FOLDER]",
    is_flag=False,
    flag_value=DEMO_FOLDER,
    type=click.Path(path_type=Path),
    help=f"Serve an invented provider of 12 sites, made in FOLDER ({DEMO_FOLDER} by default) up to the present minute.",
)
def command(
    store: str | None,
    folder: Path | None,
    config: Path | None,
    listen: str,
    state: Path | None,
    demo: Path | None,
) -> None:
    """Serve the desk: find a site, ask, read the note, look closer.

    \b
    Example:
      flowdiag desk --demo
      flowdiag desk --store flows --sites sites/
    """
    from flowdiag.desk.server import serve
    from flowdiag.desk.settings import Settings, usual_state

    if demo is not None:
        store, folder, state = demo_settings(demo, store, folder, config, state)
    else:
        store, folder = store_and_sites(store, folder, config)
    host, _, port = listen.rpartition(":")
    serve(Settings(store=store, sites=folder, state=state or usual_state(store), host=host, port=int(port)))


def demo_settings(
    demo: Path, store: str | None, folder: Path | None, config: Path | None, state: Path | None
) -> tuple[str, Path, Path]:
    """Store, profiles and state of the demo in a folder, which is made if need be. Raises UsageError."""
    import time

    from flowdiag.cli.progress import progress_bar
    from flowdiag.desk.demo import PROFILES, STATE, STORE, prepare_demo
    from flowdiag.errors import UsageError

    if store is not None or folder is not None or config is not None:
        raise UsageError(
            "--demo brings a store and sites of its own", advice="leave out --store, --sites and --config"
        )
    click.echo(f"An invented provider of 12 sites is made in {demo}.", err=True)
    with progress_bar(quiet=False, what="making up sites", counted=True) as progress:
        prepare_demo(demo, time.time_ns() // 1_000_000, progress)
    return str(demo / STORE), demo / PROFILES, state or demo / STATE
