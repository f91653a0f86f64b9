"""Runs a desk: says where it is, serves until it is told to stop, and lets what is running end."""

from __future__ import annotations

import click
import uvicorn

from flowdiag.desk.application import application
from flowdiag.desk.desk import Desk
from flowdiag.desk.settings import Settings

STOPS_WITHIN_S = 10


def serve(settings: Settings) -> None:
    """Serves until SIGINT or SIGTERM. Raises FlowdiagError for what cannot be used."""
    desk = Desk(settings)
    scheme = "https" if settings.is_secure else "http"
    if settings.access is None:
        click.echo(f"Sign in once at {scheme}://{settings.host}:{settings.port}{desk.link.make()}")
    uvicorn.run(
        application(desk),
        host=settings.host,
        port=settings.port,
        log_level="warning",
        server_header=False,
        timeout_graceful_shutdown=STOPS_WITHIN_S,
    )
