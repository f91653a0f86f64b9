"""What must be true of the note of each run, and which verdicts are right."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from flowdiag.diagnoser.finding import Confidence
from tests.lab import chance_expectations, judging
from tests.lab.chance import PREFIX
from tests.lab.judging import AGAIN_MS, ALARMING, RECORD_MS, clocks_near, durations_near, within
from tests.lab.network import HOSTS
from tests.lab.notes import LINKS, Told
from tests.lab.truth import Truth, Uplink, Way, lasting_s

STUDIO: Final = HOSTS["studio"]
OFFICE: Final = HOSTS["office"]
# A queue that stands makes every packet wait for some tens of ms; an idle one, under one (on a busy machine, a few).
WAITS: Final = 5.0
BLUR_S: Final = 2 * RECORD_MS / 1000

Faults = Iterator[str]


@dataclass(frozen=True)
class Expected:
    """verdicts, highest: which are right (none: `check` decides), with what confidence at most; happened: the truth in a few
    words; check: what else must hold.
    """

    verdicts: tuple[str, ...]
    happened: Callable[[Truth], str]
    check: Callable[[Told, Truth], Faults]
    highest: Confidence = "high"


def expected_of(run: str) -> Expected:
    return BY_CHANCE if run.startswith(PREFIX) else EXPECTED[run]


def judged(told: Told, truth: Truth) -> tuple[bool, list[str]]:
    """Whether the verdict is right, and everything that is wrong with the note."""
    expected = expected_of(truth.run.name)
    faults = []
    if expected.verdicts and told.verdict not in expected.verdicts:
        faults.append(f"verdict {told.verdict}, right is {' or '.join(expected.verdicts)}: {told.sentence}")
        if told.confidence == "high":
            faults.append("high confidence, and wrong")
    elif told.confidence == "high" != expected.highest:
        faults.append(f"high confidence, {expected.highest} at most is right: {told.sentence}")
    right = not faults
    return right, [*faults, *judging.faults(told, truth), *expected.check(told, truth)]


# What several runs have in common


def was_full(truth: Truth, uplink: Uplink, way: Way, least_s: float) -> Faults:
    """The lab itself: the uplink was full, and ping, queue and counters say so alike."""
    full = truth.full(uplink, way)
    if lasting_s(full) < least_s:
        yield f"the lab: {uplink} {way} was full for {lasting_s(full):.0f} s only"
        return
    if truth.dropped(uplink, way) == 0:
        yield f"the lab: {uplink} {way} was full and its queue dropped nothing"


def waits(truth: Truth, uplink: Uplink, way: Way) -> Faults:
    full = truth.full(uplink, way)
    begin, end = truth.span()
    quiet = [(begin, full[0][0] - 1_000)] if full[0][0] - begin > 3_000 else [(full[-1][1] + 1_000, end)]
    idle, busy = truth.round_trip_ms(quiet), truth.round_trip_ms(full)
    if busy < WAITS * idle:
        yield f"the lab: a ping took {busy:.1f} ms while {uplink} {way} was full, {idle:.1f} ms while it was not"


def full_link(
    told: Told, truth: Truth, uplink: Uplink, way: Way, host: str | None, severity: str = "critical"
) -> Faults:
    """One finding that a link was full, when it was, and by whom."""
    link = LINKS[uplink]
    found = [f for f in told.findings("link-full") if (f["link"], f["direction"]) == (link, way)]
    found = [f for f in found if f["severity"] == severity]
    if not found:
        yield f"no {severity} link-full of {link} {way}"
        return
    spans = sorted(truth.full(uplink, way), key=lambda span: span[0] - span[1])
    start, end = spans[0][0], spans[0][1]
    if severity == "critical":  # dips of a minute are bridged
        start, end = min(a for a, _ in spans), max(b for _, b in spans)
    yield from within(
        f"the begin of {link} {way} full", found[0]["from"], start, 2 * RECORD_MS, 2 * RECORD_MS
    )
    yield from within(f"the end of {link} {way} full", found[0]["to"], end, 2 * RECORD_MS, 2 * RECORD_MS)
    if host is not None:
        yield from first_host(found[0], host)


def first_host(finding: dict[str, Any], host: str) -> Faults:
    hosts = finding["evidence"].get("hosts", [])
    if not hosts or hosts[0]["address"] != host:
        yield f"{finding['code']} names {hosts[0]['address'] if hosts else 'no host'}, it was {host}"


def no_alarm(told: Told, *but: str) -> Faults:
    for finding in told.note["findings"]:
        if finding["severity"] in ALARMING and finding["code"] not in but:
            yield f"a false {finding['code']} ({finding['severity']}): {finding['summary']}"


def says(told: Told, *words: str) -> Faults:
    for word in words:
        if word not in told.sentence:
            yield f"the verdict's sentence lacks {word!r}: {told.sentence}"


def lacks(told: Told, *words: str) -> Faults:
    for word in words:
        if word in told.client:
            yield f"the client is told of {word!r}: {told.client}"


def times_of_full(told: Told, truth: Truth, uplink: Uplink, way: Way) -> Faults:
    full = truth.full(uplink, way)
    yield from clocks_near(told, told.sentence, [moment for span in full for moment in span], 2 * RECORD_MS)


def _full_s(uplink: Uplink, way: Way) -> Callable[[Truth], str]:
    return lambda truth: (
        f"{LINKS[uplink]} {way} full {truth.full_s(uplink, way):.0f} s, {truth.dropped(uplink, way)} dropped"
    )


# The runs


def download_full(told: Told, truth: Truth) -> Faults:
    yield from was_full(truth, "wan1", "down", 55)
    yield from waits(truth, "wan1", "down")
    yield from full_link(told, truth, "wan1", "down", STUDIO)
    yield from says(told, "download", "full")
    yield from lacks(told, "Wi-Fi")
    yield from times_of_full(told, truth, "wan1", "down")
    yield from no_alarm(told, "link-full")


def upload_full(told: Told, truth: Truth) -> Faults:
    yield from was_full(truth, "wan1", "up", 55)
    yield from waits(truth, "wan1", "up")
    yield from full_link(told, truth, "wan1", "up", STUDIO)
    yield from says(told, "upload", "full")
    yield from lacks(told, "Wi-Fi")
    yield from times_of_full(told, truth, "wan1", "up")
    yield from no_alarm(told, "link-full")


def line_under_plan(told: Told, truth: Truth) -> Faults:
    yield from was_full(truth, "wan1", "down", 60)
    yield from waits(truth, "wan1", "down")
    yield from no_alarm(told, "below-plan")
    if told.verdict == "below-plan":
        level = told.findings("below-plan")[0]["evidence"].get("level_mbps", 0.0)
        if abs(level - truth.run.shaped.down) > 0.05 * truth.run.shaped.down:
            yield f"a level of {level} Mbit/s, the line gave {truth.run.shaped.down}"
    else:
        reasons = " ".join(told.note["verdict"]["reasons"])
        rates = [float(rate) for rate in re.findall(r"stood at ([\d.]+) Mbit/s", reasons)]
        if not any(abs(rate - truth.run.shaped.down) < 0.05 * truth.run.shaped.down for rate in rates):
            yield f"no doubt because of a level that was held under the plan: {reasons}"


def failover_and_back(told: Told, truth: Truth) -> Faults:
    away, back = truth.when("by backup"), truth.when("by main")
    yield from no_alarm(told, "on-backup")
    found = told.findings("on-backup")
    if len(found) != 1:
        yield f"{len(found)} findings on-backup"
        return
    yield from within("the failover", found[0]["from"], away, RECORD_MS, AGAIN_MS)
    yield from within("the way back", found[0]["to"], back, RECORD_MS, AGAIN_MS)
    yield from says(told, "backup")
    yield from lacks(told, "Wi-Fi", "backup backup")
    moments = [truth.when("cut main"), away, back]
    yield from clocks_near(told, told.sentence, moments, RECORD_MS)
    gap = found[0]["evidence"]["gap_s"]
    silent = (away - truth.when("cut main")) / 1000
    if gap is None or not silent - 1 <= gap <= silent + (AGAIN_MS + RECORD_MS) / 1000:
        yield f"a gap of {gap} s, the log has {silent:.1f} s"


def light_pages(told: Told, truth: Truth) -> Faults:
    if truth.dropped("wan1", "down") and truth.full_s("wan1", "down") > 5:
        yield "the lab: light traffic filled the line"
    yield from no_alarm(told)
    if told.confidence != "high":
        yield f"{told.confidence} confidence where nothing speaks against high: {told.note['verdict']['reasons']}"


def short_full_spell(told: Told, truth: Truth) -> Faults:
    yield from was_full(truth, "wan1", "down", 12)
    yield from waits(truth, "wan1", "down")
    yield from no_alarm(told)
    yield from full_link(told, truth, "wan1", "down", STUDIO, "info")
    for finding in told.findings("link-full"):
        if finding["evidence"].get("short") is not True:
            yield "the short spell is not said to be short in the evidence"
    full = truth.full("wan1", "down")
    lasting = max(b - a for a, b in full) / 1000
    if not any(word in told.sentence for word in ("second", "spell", "minute")):
        yield f"the sentence does not name the spell: {told.sentence}"
    yield from durations_near(told.sentence, lasting, BLUR_S)
    yield from times_of_full(told, truth, "wan1", "down")


def both_cut(told: Told, truth: Truth) -> Faults:
    cut, again = truth.when("cut main"), truth.when("join main")
    if not judging.cut_off(truth):
        yield "the lab: pings came through all along"
    yield from no_alarm(told, "outage", "keepalive-unanswered", "keepalive-missing")
    yield from lacks(told, "not the cause", "had room")
    found = told.findings("outage")
    if len(found) != 1:
        yield f"{len(found)} findings outage"
        return
    yield from within("the begin of the outage", found[0]["from"], cut, RECORD_MS, RECORD_MS)
    yield from within("the end of the outage", found[0]["to"], again, RECORD_MS, RECORD_MS + AGAIN_MS)
    yield from clocks_near(told, told.sentence, [cut, again], RECORD_MS + AGAIN_MS)
    yield from durations_near(told.sentence, (again - cut) / 1000, BLUR_S + 2)


def more_than_fits(told: Told, truth: Truth) -> Faults:
    yield from was_full(truth, "wan1", "up", 55)
    yield from waits(truth, "wan1", "up")
    yield from full_link(told, truth, "wan1", "up", OFFICE)
    yield from no_alarm(told, "link-full", "realtime-contention")
    finding = next(iter(told.findings("link-full")), None)
    said = (
        ""
        if finding is None
        else " ".join((finding["summary"], *finding["doubts"], *map(str, finding["actions"])))
    )
    if not any(word in said for word in ("offered", "dropped")):
        yield "nothing says that the line may have dropped what is over its rate"
    if not any(word in said for word in ("plan rate", "rate on record", "the plan")):
        yield "nothing says that the plan rate on record may be too low"


def backup_leak(told: Told, truth: Truth) -> Faults:
    yield from no_alarm(told, "backup-leak")
    found = told.findings("backup-leak")
    if len(found) != 1:
        yield f"{len(found)} findings backup-leak"
        return
    yield from first_host(found[0], OFFICE)
    counted = sum(truth.octets("wan2", way)[0] for way in ("in", "out"))
    gate = sum(truth.octets("gate", way)[0] for way in ("in", "out"))
    octets = found[0]["evidence"].get("octets", 0)
    yield from judging.near("leaked octets", octets, counted - gate, 0.02)
    yield from says(told, "backup")
    if "main line" not in told.client or "room" not in told.client:
        yield f"the client is not told whether the main line had room: {told.client}"


def slow_server(told: Told, truth: Truth) -> Faults:
    if truth.full_s("wan1", "down") > 3:
        yield "the lab: a slow server filled the line"
    yield from no_alarm(told)


def full_backup(told: Told, truth: Truth) -> Faults:
    away, back = truth.when("by backup"), truth.when("by main")
    yield from was_full(truth, "wan2", "down", 50)
    yield from no_alarm(told, "on-backup", "link-full", "keepalive-unanswered", "keepalive-missing")
    yield from full_link(told, truth, "wan2", "down", STUDIO)
    yield from says(told, "backup")
    if not any(word in told.sentence for word in ("limit", "full")):
        yield f"the sentence does not say that the backup was full: {told.sentence}"
    found = told.findings("on-backup")
    if len(found) != 1:
        yield f"{len(found)} findings on-backup"
        return
    if not found[0]["evidence"]["backup_was_full"]:
        yield "the evidence does not say that the backup was full"
    yield from within("the failover", found[0]["from"], away, RECORD_MS, AGAIN_MS)
    yield from within("the way back", found[0]["to"], back, RECORD_MS, AGAIN_MS)
    yield from clocks_near(told, told.sentence, [truth.when("cut main"), away, back], RECORD_MS)


def _failover(truth: Truth) -> str:
    return f"on the backup {(truth.when('by main') - truth.when('by backup')) / 1000:.0f} s"


def _cut(truth: Truth) -> str:
    return f"cut off {(truth.when('join main') - truth.when('cut main')) / 1000:.0f} s"


def _octets(uplink: Uplink) -> Callable[[Truth], str]:
    return lambda truth: f"{truth.octets(uplink, 'in')[0] / 1e6:.1f} MB came by {LINKS[uplink]}, never full"


EXPECTED: Final = {
    "download-full": Expected(("link-full",), _full_s("wan1", "down"), download_full),
    "download-full-netflow": Expected(("link-full",), _full_s("wan1", "down"), download_full),
    "upload-full": Expected(("link-full",), _full_s("wan1", "up"), upload_full),
    # Where the level did not last for long enough, a doubt is enough.
    "line-under-plan": Expected(
        ("below-plan", "not-the-link", "cannot-tell"), _full_s("wan1", "down"), line_under_plan, "medium"
    ),
    "failover-and-back": Expected(("on-backup",), _failover, failover_and_back),
    "light-pages": Expected(("not-the-link",), _octets("wan1"), light_pages),
    "short-full-spell": Expected(("not-the-link",), _full_s("wan1", "down"), short_full_spell, "medium"),
    "both-cut": Expected(("outage",), _cut, both_cut),
    "more-than-fits": Expected(("link-full",), _full_s("wan1", "up"), more_than_fits),
    "backup-leak": Expected(("backup-leak",), _octets("wan2"), backup_leak),
    "slow-server": Expected(("not-the-link",), _octets("wan1"), slow_server, "medium"),
    "full-backup": Expected(
        ("on-backup",), lambda truth: f"{_failover(truth)}, {_full_s('wan2', 'down')(truth)}", full_backup
    ),
}  # fmt: skip
BY_CHANCE: Final = Expected((), chance_expectations.happened, chance_expectations.check)
