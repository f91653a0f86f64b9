"""`flowdiag desk`: the web page for people who do not use a terminal."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import click

from flowdiag.cli.chosen import config_option, store_and_sites

DEFAULT_LISTEN: Final = "127.0.0.1:8080"


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
def command(
    store: str | None, folder: Path | None, config: Path | None, listen: str, state: Path | None
) -> None:
    """Serve the desk: find a site, ask, read the note, look closer.

    \b
    Example:
      flowdiag desk --store flows --sites sites/
    """
    from flowdiag.desk.server import serve
    from flowdiag.desk.settings import Settings, usual_state

    store, folder = store_and_sites(store, folder, config)
    host, _, port = listen.rpartition(":")
    serve(Settings(store=store, sites=folder, state=state or usual_state(store), host=host, port=int(port)))
