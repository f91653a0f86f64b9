"""The example of docs/howto/ask-by-program.md, run as it is printed against a desk and a ticket system on loopback."""

from __future__ import annotations

import json
import re
import subprocess
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any, Final

from tests.desk.conftest import StoreAndSites
from tests.desk.running import RunningDesk

PAGE: Final = Path(__file__).parents[2] / "docs" / "howto" / "ask-by-program.md"


class Tickets(BaseHTTPRequestHandler):
    """Takes comments and keeps them."""

    taken: Final[list[tuple[str, str | None, Any]]] = []

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.taken.append((self.path, self.headers["Authorization"], json.loads(body)))
        self.send_response(201)
        self.end_headers()

    def log_message(self, *words: Any) -> None:
        pass


def test_the_example_posts_a_note_into_a_ticket(tmp_path: Path, store_and_sites: StoreAndSites) -> None:
    block = re.search(r"```bash\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S)
    assert block is not None
    words = (
        "--store",
        store_and_sites.store,
        "--sites",
        store_and_sites.sites,
        "--state",
        tmp_path / "state",
    )
    with (
        HTTPServer(("127.0.0.1", 0), Tickets) as tickets,
        RunningDesk(tmp_path, *words) as desk,
        desk.signed_in() as signed_in,
    ):
        threading.Thread(target=tickets.serve_forever, daemon=True).start()
        desk.wait_until_healthy()
        ((name, value),) = signed_in.cookies.items()
        (tmp_path / "desk.header").write_text(f"Cookie: {name}={value}\n")
        (tmp_path / "tickets.header").write_text("Authorization: Bearer of-the-tickets\n")
        text = block[1].replace("https://desk.example", desk.url)
        text = text.replace("https://tickets.example", f"http://127.0.0.1:{tickets.server_port}")
        run = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", text],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=120,
        )
        tickets.shutdown()
    assert run.returncode == 0, run.stderr
    [(path, token, comment)] = Tickets.taken
    assert (path, token) == ("/api/tickets/T-1042/comments", "Bearer of-the-tickets")
    assert comment["internal"] is True
    assert comment["body"].startswith("# Ticket note T-1042: Kowhai Harbour Depot\n")
    assert "video calls freeze" in comment["body"]
