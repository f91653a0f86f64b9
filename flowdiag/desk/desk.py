"""What the pages of a desk share."""

from __future__ import annotations

from typing import Final

from flowdiag.desk.access import openid
from flowdiag.desk.access.audit import AuditLog
from flowdiag.desk.access.known import Known
from flowdiag.desk.access.one_time import OneTimeLink
from flowdiag.desk.access.openid import SignIns
from flowdiag.desk.access.passwords import Checker
from flowdiag.desk.access.rates import Rate
from flowdiag.desk.access.sessions import Sessions
from flowdiag.desk.access.tries import Tries
from flowdiag.desk.asking.answers import Answers
from flowdiag.desk.asking.workers import Workers
from flowdiag.desk.board import Board
from flowdiag.desk.kept_notes import KeptNotes
from flowdiag.desk.settings import Settings
from flowdiag.desk.uploads import Uploads
from flowdiag.desk.watched import Watched
from flowdiag.site.catalogue import Catalogue
from flowdiag.text.wording.desk import shell

# Of one session or program: a page and what belongs to it, several pages a second.
REQUESTS_A_SECOND: Final = 30.0
REQUESTS_AT_ONCE: Final = 300.0


class Desk:
    """Everything that lives as long as the server. known: None where the one-time link is the only way in; address: where
    people open it. Raises FlowdiagError for what cannot be used."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.catalogue = Catalogue(settings.sites)
        self.catalogue.all()  # so that a folder that is none is said at the start
        self.notes = KeptNotes(settings.state)
        self.board = Board(settings.store, self.catalogue, settings.state)
        self.watched = Watched(settings.store)
        self.known = None if settings.access is None else Known(settings.access)
        self.audit = AuditLog(settings.state)
        self.sessions = Sessions()
        self.rates = Rate(REQUESTS_A_SECOND, REQUESTS_AT_ONCE)
        self.tries = Tries()
        self.passwords = Checker()
        self.sign_ins = SignIns()
        if self.known is not None and self.known.openid is not None:
            openid.load()
        self.link = OneTimeLink()
        self.address = ""
        self.workers: Workers
        self.answers: Answers
        self.uploads: Uploads

    def new_link(self) -> str:
        """What to print so that somebody can sign in where there are no accounts; an earlier link is worthless then."""
        return shell.signs_in_once(f"{self.address}{self.link.make()}")

    def begin(self) -> None:
        """Starts the processes that answer. Within the event loop that serves."""
        settings = self.settings
        self.workers = Workers(settings.jobs, settings.question_s, settings.question_octets)
        self.answers = Answers(self.workers)
        self.board.begin(self.answers)
        self.watched.begin()
        self.uploads = Uploads(settings.state / "uploads", settings.largest_upload, self.answers.forget)

    def end(self) -> None:
        self.board.end()
        self.watched.end()
        self.workers.close()
        self.uploads.close()
        self.notes.close()
        self.audit.close()
