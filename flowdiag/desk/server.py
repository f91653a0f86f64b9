"""Runs a desk: says where it is, serves until it is told to stop, and lets what is running end."""

from __future__ import annotations

import signal
import socket
import ssl
from typing import Final

import click
import uvicorn

from flowdiag.desk.access.connections import protocol, usual_connections
from flowdiag.desk.application import application
from flowdiag.desk.desk import Desk
from flowdiag.desk.logs import begin_logging
from flowdiag.desk.settings import Settings
from flowdiag.errors import FlowdiagError
from flowdiag.text.wording.desk import shell

STOPS_WITHIN_S: Final = 10
WAITING_CONNECTIONS: Final = 128
PROXIES: Final = ["127.0.0.1", "::1"]  # those whose X-Forwarded-For and X-Forwarded-Proto count


def serve(settings: Settings) -> None:
    """Serves until SIGINT or SIGTERM. Raises FlowdiagError for what cannot be used."""
    settings.check()
    _check_certificate(settings)
    begin_logging()
    desk = Desk(settings)
    with _listening(settings) as listening:
        desk.address = _address(settings, listening.getsockname()[1])
        told = shell.is_at(desk.address) if settings.access else desk.new_link()
        config = uvicorn.Config(
            application(desk),
            log_config=None,
            access_log=False,
            server_header=False,
            http=protocol(usual_connections(settings.behind_proxy)),
            ws="none",
            proxy_headers=settings.behind_proxy,
            forwarded_allow_ips=PROXIES,
            ssl_certfile=settings.certificate,
            ssl_keyfile=settings.key,
            timeout_graceful_shutdown=STOPS_WITHIN_S,
        )
        # The server stops for these two, and raises them anew once it has: to have been told is no failure.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: None)
        _Server(config, told).run([listening])


class _Server(uvicorn.Server):
    """Says where it is once it answers."""

    def __init__(self, config: uvicorn.Config, told: str) -> None:
        super().__init__(config)
        self._told = told

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            click.echo(self._told)


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


def _address(settings: Settings, port: int) -> str:
    """Where people open it: by the first of its names, if it has one."""
    scheme = "https" if settings.is_secure else "http"
    if settings.behind_proxy and settings.hosts:
        return f"{scheme}://{settings.hosts[0]}"
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    return f"{scheme}://{settings.hosts[0] if settings.hosts else host}:{port}"


def _check_certificate(settings: Settings) -> None:
    """Raises FlowdiagError for files that make no certificate and key."""
    if settings.certificate is None:
        return
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(
            settings.certificate, settings.key
        )
    except (OSError, ValueError) as error:  # of ssl too
        reason = error.reason if isinstance(error, ssl.SSLError) and error.reason else error
        raise FlowdiagError(
            f"certificate and key cannot be used: {reason}",
            file=str(settings.certificate),
            expected="both as PEM",
        ) from None
