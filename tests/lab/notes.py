"""The note that flowdiag writes of a recording, as the helpdesk gets it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from flowdiag.note.compose import compose
from flowdiag.note.json_note import as_dict
from flowdiag.note.text import render
from flowdiag.pipeline import run
from flowdiag.site.reading import read_profile
from tests.lab.recording import EXPORT, PROFILE

REPORTED: Final = "the internet is slow"
LINKS: Final = {"wan1": "fibre", "wan2": "lte"}

_CLOCK: Final = re.compile(r"\b(\d{1,2}):(\d\d)(?::(\d\d))?\b")
_LASTING: Final = re.compile(r"\b(\d+(?:\.\d+)?) (seconds?|minutes?)\b")


@dataclass(frozen=True)
class Told:
    """note: the JSON note; text: the note as plain text, in one line."""

    note: dict[str, Any]
    text: str

    @property
    def verdict(self) -> str:
        return str(self.note["verdict"]["code"])

    @property
    def confidence(self) -> str:
        return str(self.note["verdict"]["confidence"])

    @property
    def sentence(self) -> str:
        return str(self.note["verdict"]["sentence"])

    @property
    def client(self) -> str:
        """All that the client reads."""
        part = self.note["client"]
        return " ".join((*part["saw"], part["means"], *part["next"]))

    def findings(self, code: str) -> list[dict[str, Any]]:
        return [finding for finding in self.note["findings"] if finding["code"] == code]

    def figures(self, uplink: str, way: str) -> dict[str, float]:
        link = next(link for link in self.note["links"] if link["name"] == LINKS[uplink])
        figures: dict[str, float] = link[way]
        return figures

    def window_ms(self) -> tuple[int, int]:
        window = self.note["window"]
        return ms_of(window["from"]), ms_of(window["to"])

    def clocks(self, sentence: str) -> list[tuple[int, int]]:
        """Each time of day in a sentence as (ms since 1970 UTC, what may be rounded off either way in ms)."""
        day = datetime.fromisoformat(self.note["window"]["from"])
        zone = ZoneInfo(self.note["timezone"])
        found = []
        for hour, minute, second in _CLOCK.findall(sentence):
            local = datetime(
                day.year, day.month, day.day, int(hour), int(minute), int(second or 0), tzinfo=zone
            )
            if local < day.astimezone(zone) - timedelta(hours=12):  # the run went over midnight
                local += timedelta(days=1)
            found.append((int(local.timestamp() * 1000), 1_000 if second else 30_000))
        return found


def told_of(folder: Path) -> Told:
    profile = read_profile(folder / PROFILE)
    note = compose(run([folder / EXPORT], profile, reported=REPORTED))
    return Told(as_dict(note), " ".join(render(note, on_terminal=False).split()))


def ms_of(iso: str) -> int:
    return int(datetime.fromisoformat(iso).timestamp() * 1000)


def lasting_s(sentence: str) -> list[float]:
    """Each duration of a sentence, in seconds: "1 minute", "20 seconds"."""
    return [
        float(number) * (60 if unit.startswith("minute") else 1)
        for number, unit in _LASTING.findall(sentence)
    ]
