"""JSON Schemas of what the API gives, beside that of the note, which is the note's own."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from typing import Any, Final

from msgspec.json import schema_components

from flowdiag.watch.state import DayState, SiteState

Schema = dict[str, Any]
TEXT: Final[Schema] = {"type": "string"}
NUMBER: Final[Schema] = {"type": "number"}
WHOLE: Final[Schema] = {"type": "integer"}
TIME: Final[Schema] = {"type": "string", "format": "date-time"}
OPTIONAL_TEXT: Final[Schema] = {"type": ["string", "null"]}
OPTIONAL_NUMBER: Final[Schema] = {"type": ["number", "null"]}
OPTIONAL_WHOLE: Final[Schema] = {"type": ["integer", "null"]}
NOTE_PATH: Final = "#/components/schemas/Note"


def record(**keys: Schema) -> Schema:
    """An object with these keys, all of them there; more may come in later versions."""
    return {"type": "object", "required": list(keys), "properties": keys}


def reference(name: str) -> Schema:
    return {"$ref": f"#/components/schemas/{name}"}


def several(of: Schema) -> Schema:
    return {"type": "array", "items": of}


SPAN: Final = record(**{"from": TIME, "to": TIME})
PLAN_LINK: Final = record(
    name=TEXT,
    role={"type": "string", "enum": ["primary", "backup"]},
    down_mbps=OPTIONAL_NUMBER,
    up_mbps=OPTIONAL_NUMBER,
)
SITE: Final = record(
    key=TEXT, name=TEXT, client=TEXT, client_key=TEXT, timezone=TEXT, links=several(PLAN_LINK), page=TEXT
)
SITES: Final = record(sites=several(SITE), more={"type": "boolean"})
TIMES: Final = record(**{"from": TIME, "to": TIME}, remark=OPTIONAL_TEXT)
WORKING: Final = record(state={"const": "working"}, part=OPTIONAL_NUMBER)
PROBLEM: Final = record(type=TEXT, title=TEXT, status=WHOLE, detail=TEXT)
DIRECTION: Final[Schema] = {"type": "string", "enum": ["down", "up"]}
USAGE: Final = record(
    schema={"const": "flowdiag.usage/1"},
    site=TEXT,
    window=SPAN,
    window_s=NUMBER,
    links=several(
        record(
            name=TEXT,
            direction=DIRECTION,
            capacity_mbps=NUMBER,
            mean_mbps=NUMBER,
            p95_mbps=NUMBER,
            peak_mbps=NUMBER,
            peak_window_s=NUMBER,
            octets=NUMBER,
            busy_minutes=NUMBER,
            full_minutes=NUMBER,
            months=several(record(month=TEXT, p95_mbps=NUMBER)),
            service_classes=several(
                record(**{"class": TEXT}, dscp=several(TEXT), octets=NUMBER, packets=NUMBER, share=NUMBER)
            ),
            series=several(
                record(
                    start=TIME,
                    seconds=NUMBER,
                    mbps=OPTIONAL_NUMBER,
                    lower_mbps=OPTIONAL_NUMBER,
                    upper_mbps=OPTIONAL_NUMBER,
                    state={"type": "string", "enum": ["ok", "busy", "full", "unknown"]},
                )
            ),
        )
    ),
    notes=several(TEXT),
)
RANKING: Final = record(
    schema={"const": "flowdiag.top/1"},
    kind=TEXT,
    by=TEXT,
    window=SPAN,
    rows=several(
        record(
            key={"type": ["string", "object"]},
            label=OPTIONAL_TEXT,
            octets=NUMBER,
            packets=NUMBER,
            flows=NUMBER,
            share=NUMBER,
            mean_mbps=NUMBER,
            peak_mbps=OPTIONAL_NUMBER,
            first=TIME,
            last=TIME,
            bound_octets=NUMBER,
        )
    ),
    rest=record(octets=NUMBER, share=NUMBER),
    total=record(octets=NUMBER, packets=NUMBER, flows=NUMBER),
    folded=record(keys=WHOLE, error=NUMBER),
    notes=several(TEXT),
)
REVIEW: Final = record(
    schema={"const": "flowdiag.review/1"},
    **{"from": TEXT, "to": TEXT},
    sites=several(
        record(
            site=TEXT,
            client=TEXT,
            profile=TEXT,
            timezone=TEXT,
            advice={
                "type": "string",
                "enum": ["upgrade", "tune-first", "watch", "not-enough-data", "fine"],
            },
            plan=OPTIONAL_TEXT,
            plan_mbps={"type": ["array", "null"], "items": NUMBER},
            reasons=several(TEXT),
            reason_codes=several(TEXT),
            days=WHOLE,
            coverage=NUMBER,
            records=WHOLE,
            lost_records=WHOLE,
            links=several(
                record(
                    name=TEXT,
                    role=TEXT,
                    direction=DIRECTION,
                    capacity_mbps=NUMBER,
                    mean_mbps=NUMBER,
                    p95_mbps=NUMBER,
                    peak_mbps=NUMBER,
                    busy_hour=OPTIONAL_WHOLE,
                    busy_hours=NUMBER,
                    full_hours=NUMBER,
                    trend_percent_month=OPTIONAL_NUMBER,
                    months_to_busy=OPTIONAL_NUMBER,
                    top_talker=OPTIONAL_TEXT,
                    coverage=NUMBER,
                )
            ),
            backup={"type": ["object", "null"]},
            problems=several(TEXT),
        )
    ),
)


STANDINGS: Final = several(TEXT)
STATES: Final = record(
    schema={"const": "flowdiag.states/1"},
    sites=several(
        record(
            site=TEXT,
            name=TEXT,
            client=TEXT,
            states=STANDINGS,
            states_of_day=STANDINGS,
            fault=OPTIONAL_TEXT,
            looked_ms=OPTIONAL_WHOLE,
            now=reference("SiteState"),
            day={"anyOf": [reference("DayState"), {"type": "null"}]},
        )
    ),
)
SILENCED: Final = record(
    kind={"type": "string", "enum": ["acknowledged", "muted"]}, by=TEXT, reason=TEXT, until=TIME
)
EVENT: Final = record(
    schema={"const": "flowdiag.event/1"},
    key=TEXT,
    number=WHOLE,
    incident=TEXT,
    site=TEXT,
    place=TEXT,
    upstream=OPTIONAL_TEXT,
    site_key=OPTIONAL_TEXT,
    code=TEXT,
    severity=TEXT,
    confidence=TEXT,
    link=OPTIONAL_TEXT,
    direction=OPTIONAL_TEXT,
    state={"type": "string", "enum": ["began", "ongoing", "ended"]},
    began=TIME,
    ended={"type": ["string", "null"], "format": "date-time"},
    told=TIME,
    corrected={"type": "boolean"},
    or_earlier={"type": "boolean"},
    client=TEXT,
    summary=TEXT,
    note={"type": "null"},
    drill={"type": ["object", "null"]},
    drill_page=OPTIONAL_TEXT,
)
OF_THE_WATCH: Final = {"runs": {"type": ["boolean", "null"]}, "said": TEXT}
INCIDENTS: Final = record(
    schema={"const": "flowdiag.incidents/1"},
    watch=record(**OF_THE_WATCH),
    incidents=several(
        record(event=reference("Event"), silenced={"anyOf": [reference("Silenced"), {"type": "null"}]})
    ),
)
EVENTS: Final = record(
    schema={"const": "flowdiag.events/1"}, watch=record(**OF_THE_WATCH), events=several(reference("Event"))
)
MORNING: Final = record(
    schema={"const": "flowdiag.morning/1"},
    made=TIME,
    counts=record(sites=WHOLE, listed=WHOLE, well=WHOLE, unsure=WHOLE, without_backup=WHOLE),
    sites=several(
        record(
            site=TEXT,
            client=TEXT,
            profile=TEXT,
            timezone=TEXT,
            reasons=several(
                record(
                    code=TEXT,
                    link=OPTIONAL_TEXT,
                    since={"type": ["string", "null"], "format": "date-time"},
                    or_earlier={"type": "boolean"},
                    ended={"type": ["string", "null"], "format": "date-time"},
                    confidence=TEXT,
                    summary=TEXT,
                    client=TEXT,
                    actions=several(record(who=TEXT, text=TEXT)),
                    allowance={"type": ["object", "null"]},
                    acknowledged={"type": ["object", "null"]},
                )
            ),
        )
    ),
    unsure=several(record(site=TEXT, client=TEXT, profile=TEXT, why=TEXT, said=TEXT)),
)
DRILL: Final = record(
    schema={"const": "flowdiag.drill/1"},
    site=TEXT,
    timezone=TEXT,
    backup=TEXT,
    main=several(TEXT),
    backup_at=TIME,
    gap_ms=OPTIONAL_WHOLE,
    return_gap_ms=OPTIONAL_WHOLE,
    calls={"type": ["object", "null"]},
    return_calls={"type": ["object", "null"]},
    ways=several({"type": "object"}),
    tested=TEXT,
    confidence=TEXT,
)


@cache
def note() -> Schema:
    """The note's own schema, with references as they stand within the description."""
    text = (files("flowdiag.note") / "note.schema.json").read_text(encoding="utf-8")
    schema: Schema = json.loads(text.replace('"#/$defs/', f'"{NOTE_PATH}/$defs/'))
    return {key: value for key, value in schema.items() if key not in ("$schema", "$id")}


@cache
def components() -> Schema:
    return {
        "Site": SITE,
        "Sites": SITES,
        "Times": TIMES,
        "Working": WORKING,
        "Problem": PROBLEM,
        "Usage": USAGE,
        "Ranking": RANKING,
        "Review": REVIEW,
        "States": STATES,
        "Silenced": SILENCED,
        "Event": EVENT,
        "Incidents": INCIDENTS,
        "Events": EVENTS,
        "Morning": MORNING,
        "Drill": DRILL,
        "Note": note(),
        **schema_components((SiteState, DayState), ref_template="#/components/schemas/{name}")[1],
    }
