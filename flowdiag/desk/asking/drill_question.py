"""What a change over to a backup showed: from the flow records, or from what the watch wrote down when they are gone."""

from __future__ import annotations

import json

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.desk.asking.question import Progress, Question


class DrillAnswer(Struct, frozen=True):
    """part: below the heading of a page, markup; page: a file of its own; json: schema flowdiag.drill/1."""

    part: str
    page: str
    json: str


class DrillQuestion(Question, frozen=True):
    """file, digest: of the site's profile; began_ms, ended_ms: of the incident; told: JSON of what the watch wrote down; hosts:
    whether inside hosts are named."""

    store: str
    file: str
    digest: str
    began_ms: int
    ended_ms: int | None
    told: str | None
    hosts: bool

    def state(self) -> str:
        return "over" if self.ended_ms is not None else str(self.began_ms)

    def answer(self, progress: Progress) -> DrillAnswer | None:
        """None where nothing is known of it. Raises StoreError, ProfileError."""
        from flowdiag.site.reading import read_profile
        from flowdiag.watch.drill.measuring import drill_of
        from flowdiag.watch.drill.rendering import from_object, part, render_drill

        found = drill_of(self.store, read_profile(self.file), self.began_ms, self.ended_ms)
        if found is None and self.told is not None:
            found = from_object(json.loads(self.told))
        if found is None:
            return None
        if not self.hosts:
            found = replace(found, hosts=())
        return DrillAnswer(part(found), render_drill(found, "html"), render_drill(found, "json"))
