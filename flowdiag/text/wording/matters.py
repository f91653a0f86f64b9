"""What goes on at a site, in a few words for each code: in mails, lists and at the desk the same."""

from __future__ import annotations

from typing import Final

MATTERS: Final = {
    "outage": "no line carries anything",
    "on-backup": "on its backup",
    "flapping": "main line coming and going",
    "inbound-flood": "flood from outside",
    "outbound-scan": "one host tries very many addresses",
    "link-full": "line full",
    "link-busy": "line busy",
    "below-plan": "line below plan",
    "keepalive-missing": "keepalives missing",
    "keepalive-unanswered": "keepalives not answered",
    "keepalive-excess": "more keepalive traffic than usual",
    "keepalive-irregular": "keepalives irregular",
    "backup-leak": "backup leaking",
    "realtime-contention": "calls on a full line",
    "single-host": "one host uses most of a line",
    "unanswered-connections": "connections without an answer",
    "asymmetric-path": "answers come back by another line",
    "export-gap": "records missing",
    "not-heard": "not heard",
}


def matter(code: str) -> str:
    """The code itself where it is of a newer or an older version."""
    return MATTERS.get(code, code)
