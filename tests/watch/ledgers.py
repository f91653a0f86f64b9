"""Ledgers for tests: in a folder, in a bucket of a server on loopback, and in memory."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from moto.server import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import make_server

from flowdiag.watch.ledger import Change, Document

BUCKET = "s3://flows/of-all"


def google(environment: dict[str, str], root: str) -> str:
    """The bucket of a server in s3_server() by the other protocol."""
    place = environment["AWS_ENDPOINT_URL"].partition("//")[2]
    return f"gs://flows/{root}?scheme=http&endpoint_override={place}"


@contextmanager
def s3_server() -> Iterator[dict[str, str]]:
    """The environment of a process that finds an S3 server. It answers one request after the other: moto checks a condition and
    then puts, and what comes between would be let in."""
    application = DomainDispatcherApplication(create_backend_app)
    one_by_one = threading.Lock()

    def answer(environ: Any, start_response: Callable[..., Any]) -> Any:
        with one_by_one:
            return list(generations(environ, start_response))

    generations = Generations(application)

    server = make_server("127.0.0.1", 0, answer, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield {
        "AWS_ENDPOINT_URL": f"http://127.0.0.1:{server.server_port}",
        "AWS_ACCESS_KEY_ID": "invented",
        "AWS_SECRET_ACCESS_KEY": "invented",
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_EC2_METADATA_DISABLED": "true",
    }
    server.shutdown()
    server.server_close()
    thread.join()


def make_bucket(name: str = "flows") -> Any:
    """pyarrow's own view of a bucket that is new, or empty again, by the environment."""
    import pyarrow.fs as arrow_fs

    assert "AWS_ENDPOINT_URL" in os.environ
    filesystem, _ = arrow_fs.FileSystem.from_uri(f"s3://{name}?allow_bucket_creation=true")
    filesystem.create_dir(name)
    filesystem.delete_dir_contents(name)
    return filesystem


class Generations:
    """What Google has and Amazon has not, around an S3 server: an object has a generation, and is put only in place of that one.

    application: of WSGI, which answers the rest of what both have in common.
    """

    def __init__(self, application: Any) -> None:
        self._application = application
        self._of: dict[str, int] = {}
        self._newest = 0

    def __call__(self, environ: Any, start_response: Callable[..., Any]) -> Any:
        path, method = environ["PATH_INFO"], environ["REQUEST_METHOD"]
        wanted = environ.get("HTTP_X_GOOG_IF_GENERATION_MATCH")
        if wanted is not None and int(wanted) != self._of.get(path, 0):
            start_response("412 Precondition Failed", [])
            return [b""]

        def start(status: str, headers: list[tuple[str, str]], *more: Any) -> Any:
            if status.startswith("2") and method == "PUT":
                self._newest += 1
                self._of[path] = self._newest
            elif method == "DELETE":
                self._of.pop(path, None)
            if path in self._of:
                headers = [*headers, ("x-goog-generation", str(self._of[path]))]
            return start_response(status, headers, *more)

        return self._application(environ, start)


class Memory:
    """A ledger of this process; fault: raised by the next calls, before or after (`late`) they have done their work."""

    def __init__(self) -> None:
        self.documents: dict[str, Document] = {}
        self.fault: Exception | None = None
        self.late = False
        self.reads = 0

    def read(self, name: str) -> Document | None:
        self.reads += 1
        return self.documents.get(name)

    def versions(self) -> dict[str, int]:
        return {name: document.version for name, document in sorted(self.documents.items())}

    def write(self, name: str, content: bytes, version: int) -> bool:
        if self.fault and not self.late:
            raise self.fault
        known = self.documents.get(name)
        if (known.version if known else 0) != version:
            return False
        self.documents[name] = Document(version + 1, content)
        if self.fault:
            raise self.fault
        return True

    def write_each(self, changes: Sequence[Change]) -> list[bool]:
        return [self.write(*change) for change in changes]

    def remove(self, name: str, version: int) -> None:
        if name in self.documents and self.documents[name].version == version:
            del self.documents[name]

    def close(self) -> None:
        pass
