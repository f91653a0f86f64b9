"""Desks with an access file, served without the processes that answer questions: whoever is let in or refused needs none."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any, Final

import uvicorn
from anyio.from_thread import BlockingPortal, start_blocking_portal
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.testclient import TestClient

from flowdiag.desk.access.guard import Guard
from flowdiag.desk.access.passwords import hashed
from flowdiag.desk.application import application
from flowdiag.desk.desk import Desk
from flowdiag.desk.routing import Page, routes
from flowdiag.desk.settings import Settings
from flowdiag.desk.uploads import Uploads
from tests.desk.conftest import BASE, StoreAndSites

PASSWORD: Final = "a long way to the harbour"
OWN: Final = {"Origin": BASE}  # as a browser tells with a form of the desk's


@cache
def password_hash() -> str:
    return hashed(PASSWORD)


def account(
    name: str, roles: Iterable[str] = ("helpdesk",), sites: Iterable[str] = ("*",), more: str = ""
) -> str:
    """An [[account]] with PASSWORD."""
    rights = f"roles = {list(roles)!r}\nsites = {list(sites)!r}\n{more}\n"
    return f'[[account]]\nname = "{name}"\npassword = "{password_hash()}"\n{rights}'


class Served:
    """A desk and the browsers that ask it, all in one event loop. pages: beside or in place of the desk's own."""

    def __init__(self, desk: Desk, portal: BlockingPortal, pages: Iterable[Page] | None = None) -> None:
        self.desk = desk
        self.portal = portal
        self.app = application(desk) if pages is None else app_of(desk, pages)

    def browser(self, address: str = "192.0.2.7", **headers: str) -> TestClient:
        """One that nobody has signed in to, at an address; it follows no redirection."""
        client = TestClient(
            self.app, base_url=BASE, client=(address, 50_000), follow_redirects=False, headers=headers
        )
        client.portal = self.portal
        return client

    def signed_in(self, name: str, address: str = "192.0.2.7") -> TestClient:
        """A browser in which somebody has signed in by their account."""
        client = self.browser(address)
        assert sign_in(client, name).status_code == 303
        return client


def app_of(desk: Desk, pages: Iterable[Page]) -> Starlette:
    return Starlette(routes=routes(desk, pages), middleware=[Middleware(Guard, desk=desk)])  # type: ignore[arg-type]


@contextmanager
def served_by(
    where: StoreAndSites,
    folder: Path,
    access: str | None = None,
    pages: Iterable[Page] | None = None,
    **more: Any,
) -> Iterator[Served]:
    """folder: for its state and the access file; more: of Settings."""
    file = None
    if access is not None:
        file = folder / "access.toml"
        file.write_text(access, encoding="utf-8")
        file.chmod(0o600)
    desk = Desk(Settings(str(where.store), where.sites, folder / "state", access=file, **more))
    desk.uploads = Uploads(folder / "uploads", 1000, lambda _: None)
    with start_blocking_portal() as portal:
        yield Served(desk, portal, pages)


def sign_in(client: TestClient, name: str, password: str = PASSWORD, to: str = "/") -> Any:
    return client.post("/sign-in", data={"name": name, "password": password, "to": to}, headers=OWN)


@contextmanager
def listening(app: Any, **more: Any) -> Iterator[int]:
    """The port of loopback where uvicorn serves an application without its beginning and end. more: of uvicorn's Config."""
    with socket.create_server(("127.0.0.1", 0)) as held:
        server = uvicorn.Server(uvicorn.Config(app, lifespan="off", log_level="critical", ws="none", **more))
        server.install_signal_handlers = lambda: None  # type: ignore[attr-defined]
        thread = threading.Thread(target=server.run, args=([held],))
        thread.start()
        try:
            while not server.started:
                time.sleep(0.01)
            yield held.getsockname()[1]
        finally:
            server.should_exit = True
            thread.join(20)
