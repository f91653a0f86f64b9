"""What the pages of a desk share."""

from __future__ import annotations

from flowdiag.desk.access.one_time import OneTimeLink
from flowdiag.desk.access.sessions import Sessions
from flowdiag.desk.asking.answers import Answers
from flowdiag.desk.asking.workers import Workers
from flowdiag.desk.board import Board
from flowdiag.desk.catalogue import Catalogue
from flowdiag.desk.kept_notes import KeptNotes
from flowdiag.desk.settings import Settings


class Desk:
    """Everything that lives as long as the server. Raises FlowdiagError for what cannot be used."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.catalogue = Catalogue(settings.sites)
        self.catalogue.all()  # so that a folder that is none is said at the start
        self.notes = KeptNotes(settings.state)
        self.board = Board(settings.store, self.catalogue, settings.state)
        self.sessions = Sessions()
        self.link = OneTimeLink()
        self.workers: Workers
        self.answers: Answers

    def begin(self) -> None:
        """Starts the processes that answer. Within the event loop that serves."""
        settings = self.settings
        self.workers = Workers(settings.jobs, settings.question_s, settings.question_octets)
        self.answers = Answers(self.workers)
        self.board.begin(self.answers)

    def end(self) -> None:
        self.board.end()
        self.workers.close()
        self.notes.close()
