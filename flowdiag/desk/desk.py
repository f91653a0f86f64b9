"""What the pages of a desk share."""

from __future__ import annotations

from flowdiag.desk.access.one_time import OneTimeLink
from flowdiag.desk.access.sessions import Sessions
from flowdiag.desk.asking.answers import Answers
from flowdiag.desk.asking.workers import Workers
from flowdiag.desk.catalogue import Catalogue
from flowdiag.desk.kept_notes import KeptNotes
from flowdiag.desk.settings import Settings
from flowdiag.desk.uploads import Uploads


class Desk:
    """Everything that lives as long as the server. Raises FlowdiagError for what cannot be used."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.catalogue = Catalogue(settings.sites)
        self.catalogue.all()  # so that a folder that is none is said at the start
        self.notes = KeptNotes(settings.state)
        self.sessions = Sessions()
        self.link = OneTimeLink()
        self.workers: Workers
        self.answers: Answers
        self.uploads: Uploads

    def begin(self) -> None:
        """Starts the processes that answer. Within the event loop that serves."""
        settings = self.settings
        self.workers = Workers(settings.jobs, settings.question_s, settings.question_octets)
        self.answers = Answers(self.workers)
        self.uploads = Uploads(settings.state / "uploads", settings.largest_upload, self.answers.forget)

    def end(self) -> None:
        self.workers.close()
        self.uploads.close()
        self.notes.close()
