"""Receivers of messages that do as they are told: web servers that answer, refuse, dribble or cut, and certificates."""

from __future__ import annotations

import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

Answer = Callable[["Request"], None]


class Request(BaseHTTPRequestHandler):
    """One request, and the ways to answer it. taken: whether it was, by whoever answers."""

    protocol_version = "HTTP/1.1"
    body = b""
    taken = True

    def do_POST(self) -> None:
        length = int(self.headers["Content-Length"])
        self.body = self.rfile.read(length)
        if len(self.body) < length:  # whoever sent it was killed meanwhile
            self.close_connection = True
            return
        self.receiver.requests.append(self)
        number = len(self.receiver.requests) - 1
        self.receiver.answers[min(number, len(self.receiver.answers) - 1)](self)

    @property
    def receiver(self) -> Any:
        return self.server

    def log_message(self, *_: Any) -> None:
        pass

    def raw(self, octets: bytes) -> None:
        self.close_connection = True
        self.wfile.write(octets)


def status(code: int, text: bytes = b"", **headers: str) -> Answer:
    def answer(request: Request) -> None:
        request.send_response(code)
        for name, value in headers.items():
            request.send_header(name.replace("_", "-"), value)
        request.send_header("Content-Length", str(len(text)))
        request.end_headers()
        request.wfile.write(text)

    return answer


OK = status(200)


class Receiver(ThreadingHTTPServer):
    """Answers the first request by the first answer, and so on; whatever comes after all of them by the last."""

    daemon_threads = True
    request_queue_size = 100

    def __init__(self, answers: tuple[Answer, ...], context: ssl.SSLContext | None) -> None:
        super().__init__(("127.0.0.1", 0), Request)
        self.answers = answers
        self.requests: list[Request] = []
        if context is not None:
            self.socket = context.wrap_socket(self.socket, server_side=True, do_handshake_on_connect=False)

    @property
    def port(self) -> int:
        return int(self.server_address[1])

    @property
    def url(self) -> str:
        secure = isinstance(self.socket, ssl.SSLSocket)
        return f"{'https' if secure else 'http'}://localhost:{self.port}/in?token=hush"

    def handle_error(self, *_: Any) -> None:
        pass


@contextmanager
def receiving(*answers: Answer, context: ssl.SSLContext | None = None) -> Iterator[Receiver]:
    with Receiver(answers or (OK,), context) as receiver:
        thread = threading.Thread(target=receiver.serve_forever, args=(0.05,), daemon=True)
        thread.start()
        yield receiver
        receiver.shutdown()


def unused_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


class Certificate:
    """Of a name, signed by itself."""

    def __init__(self, folder: Path, name: str) -> None:
        self.file, self.key = folder / f"{name}.pem", folder / f"{name}.key"
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
             "-subj", f"/CN={name}", "-addext", f"subjectAltName=DNS:{name}", "-keyout", self.key, "-out", self.file],
            check=True, capture_output=True,
        )  # fmt: skip

    @property
    def context(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.file, self.key)
        return context
