"""A site profile as a form: fields named by the profile's keys with positions from 0, such as link.0.down_mbps.

What the profile's own checks find wrong is placed beside the field that it is about.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from msgspec import Struct
from pydantic import ValidationError

from flowdiag.site.mistakes import Mistake, mistakes_in
from flowdiag.site.profile import Profile
from flowdiag.text.wording.desk import upload as wording

MOST_LINES: Final = 8
MOST_KEEPALIVES: Final = 4  # of one line
_KEY: Final = re.compile(r"[\w.\[\]]+")
_POSITION: Final = re.compile(r"\[(\d+)\]")
_SEPARATOR: Final = re.compile(r"[\s,]+")
_RATES: Final = ("down_mbps", "up_mbps")
_NUMBERS: Final = ("down_mbps", "up_mbps", "interval_s", "port", "packet_bytes")


class Filled(Struct, frozen=True):
    """What a form came to. profile: None where something is wrong; raw: of it; faults: by field's name, "" for what has no
    field."""

    profile: Profile | None
    raw: dict[str, Any]
    faults: dict[str, str]


def filled(fields: Mapping[str, str]) -> Filled:
    """The profile that the fields describe, or what is wrong with each."""
    raw, places = _raw(fields)
    lacking = _lacking(fields, list(places.values()))
    mistakes: list[Mistake] = []
    profile = None
    try:
        profile = Profile.model_validate(raw)
    except ValidationError as error:
        mistakes = mistakes_in(error, raw)
    faults = _placed(mistakes, places) | lacking
    return Filled(None if faults else profile, raw, faults)


def _lacking(fields: Mapping[str, str], places: Sequence[str]) -> dict[str, str]:
    """What a note cannot do without, in words by the field's name. places: of the lines and their keepalives."""
    needed = dict(wording.NEEDED)
    for own in places:
        if ".keepalive." not in own:
            needed |= {f"{own}.{key}": words for key, words in wording.NEEDED_OF_A_LINE.items()}
    lacking = {name: words for name, words in needed.items() if not fields.get(name, "").strip()}
    return lacking if places else lacking | {"": wording.NO_LINE}


def _raw(fields: Mapping[str, str]) -> tuple[dict[str, Any], dict[str, str]]:
    """The profile as TOML would have it, and which place in it is which field's."""
    site = {"name": fields.get("site.name", ""), "timezone": fields.get("site.timezone", "")}
    lists = {key: _listed(fields.get(f"site.{key}", "")) for key in ("lan", "exporters")}
    links: list[dict[str, Any]] = []
    places: dict[str, str] = {}
    for number in range(MOST_LINES):
        own = f"link.{number}"
        if not fields.get(f"{own}.role"):
            continue  # no line of the site, or none in the form
        place = f"link[{len(links) + 1}]"
        places[place] = own
        links.append(_link(fields, own, place, places))
    return {"site": site | lists, "link": links}, places


def _link(fields: Mapping[str, str], own: str, place: str, places: dict[str, str]) -> dict[str, Any]:
    link: dict[str, Any] = {
        "name": fields.get(f"{own}.name", ""),
        "role": fields[f"{own}.role"],
        "interfaces": [_number(text) for text in _listed(fields.get(f"{own}.interfaces", ""))],
        "variable": f"{own}.variable" in fields,
    }
    link |= {key: _number(text) for key in _RATES if (text := fields.get(f"{own}.{key}", ""))}
    keepalives: list[dict[str, Any]] = []
    for number in range(MOST_KEEPALIVES):
        probe = f"{own}.keepalive.{number}"
        if f"{probe}.use" not in fields or link["role"] != "backup":
            continue
        places[f"{place}.keepalive[{len(keepalives) + 1}]"] = probe
        names = ("destination", "protocol", "port", "interval_s", "packet_bytes")
        given = {name: text for name in names if (text := fields.get(f"{probe}.{name}", ""))}
        keepalives.append({name: _number(text) if name in _NUMBERS else text for name, text in given.items()})
    return link | ({"keepalive": keepalives} if keepalives else {})


def _listed(text: str) -> list[str]:
    return [part for part in _SEPARATOR.split(text) if part]


def _number(text: str) -> Any:
    """A number where it is one; else the text, of which the profile's checks say what is wrong."""
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


def _placed(mistakes: list[Mistake], places: Mapping[str, str]) -> dict[str, str]:
    faults: dict[str, str] = {}
    for mistake in mistakes:
        found = _KEY.match(mistake.key)
        name = _field(found[0] if found else "", places)
        said = mistake.what if mistake.expected is None else f"{mistake.what}; expected {mistake.expected}"
        if not name:
            said = f"{wording.WHOSE_LINES}: {said}" if mistake.key == "link" else f"{mistake.key}: {said}"
        faults[name] = f"{faults[name]}; {said}" if name in faults else said
    return faults


def _field(key: str, places: Mapping[str, str]) -> str:
    """The field of a key such as link[2].keepalive[1].port; of a value in a list its list's."""
    for place in sorted(places, key=len, reverse=True):
        if key.startswith(f"{place}."):
            return f"{places[place]}.{_POSITION.sub('', key.removeprefix(f'{place}.'))}"
    return _POSITION.sub("", key) if key.startswith("site.") else ""
