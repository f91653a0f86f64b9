"""Runs a desk: says where it is, serves until it is told to stop, and lets what is running end."""

from __future__ import annotations

import signal
import socket
from typing import Final

import click
import uvicorn

from flowdiag.desk.application import application
from flowdiag.desk.desk import Desk
from flowdiag.desk.logs import begin_logging
from flowdiag.desk.settings import Settings
from flowdiag.errors import FlowdiagError

STOPS_WITHIN_S: Final = 10
WAITING_CONNECTIONS: Final = 128


def serve(settings: Settings) -> None:
    """Serves until SIGINT or SIGTERM. Raises FlowdiagError for what cannot be used."""
    begin_logging()
    desk = Desk(settings)
    with _listening(settings) as listening:
        scheme = "https" if settings.certificate is not None else "http"
        host, port = listening.getsockname()[:2]
        if settings.access is None:
            shown = f"[{host}]" if ":" in host else host
            click.echo(f"Sign in once at {scheme}://{shown}:{port}{desk.link.make()}")
        config = uvicorn.Config(
            application(desk),
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=STOPS_WITHIN_S,
        )
        # The server stops for these two, and raises them anew once it has: to have been told is no failure.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: None)
        uvicorn.Server(config).run([listening])


def _listening(settings: Settings) -> socket.socket:
    """Raises FlowdiagError where nobody can listen there."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    try:
        return socket.create_server(
            (settings.host, settings.port), family=family, backlog=WAITING_CONNECTIONS
        )
    except OSError as error:
        raise FlowdiagError(
            f"cannot listen on {settings.host} port {settings.port}: {error.strerror or error}",
            advice="name another by --listen",
        ) from error
