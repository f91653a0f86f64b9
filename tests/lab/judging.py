"""What must be true of every note, whatever happened: its figures are what was measured, and nothing is said that is not so."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from tests.lab.notes import Told, lasting_s, ms_of
from tests.lab.truth import UPLINKS, WAYS, Span, Truth, Uplink, Way
from tests.lab.truth import lasting_s as lasting

# None are missing where the machine has time: the switch loses what the kernel counts at a port and it does not fetch in
# time.
OCTETS: Final = 0.002
# Means are over the time from the first to the last record, which the note tells in whole seconds; framing of short packets
# is estimated from their mean.
RATES: Final = 0.04
# A record is of five seconds at most; what began or ended in one is off by so much at either end.
RECORD_MS: Final = 5_000
# What was saturated or cut for so long can have been felt.
FELT_S: Final = 10.0
# A router that sends on takes its time; a page that was waiting begins again after three seconds.
AGAIN_MS: Final = 5_000
CLEARED: Final = re.compile(r"not the cause|had room|was never used above|not full", re.IGNORECASE)
NEVER_ABOVE: Final = re.compile(r"never used above (\d+)%")
ALARMING: Final = ("warning", "critical")


def faults(told: Told, truth: Truth) -> Iterator[str]:
    yield from octets(told, truth)
    yield from figures(told, truth)
    yield from full_minutes(told, truth)
    yield from all_clear(told, truth)
    yield from spells(told, truth)


def octets(told: Told, truth: Truth) -> Iterator[str]:
    """Downloads: what the kernel counted at the uplink. Uploads: what hosts offered, all uplinks together."""
    header = 14 if truth.run.protocol == "netflow" else 0  # the switch's NetFlow counts frames
    for uplink in UPLINKS:
        counted, packets = truth.octets(uplink, "in")
        yield from near(
            f"octets of {uplink} down",
            told.figures(uplink, "down")["bytes"],
            counted + header * packets,
            OCTETS,
        )
    offered = truth.offered() + header * sum(
        truth.octets(port, "in")[1] for port in ("studio", "office", "gate")
    )
    up = sum(told.figures(uplink, "up")["bytes"] for uplink in UPLINKS)
    yield from near("octets up", up, offered, OCTETS)


def figures(told: Told, truth: Truth) -> Iterator[str]:
    """Mean, 95th percentile and peak agree with each other and with the counters."""
    start, end = told.window_ms()
    for uplink in UPLINKS:
        for way in WAYS:
            found, name = told.figures(uplink, way), f"{uplink} {way}"
            if found["mean_mbps"] > found["peak_mbps"] * 1.000001:
                yield f"{name}: the mean, {found['mean_mbps']}, is above the peak, {found['peak_mbps']} Mbit/s"
            if found["p95_mbps"] > found["peak_mbps"] * 1.000001:
                yield f"{name}: the 95th percentile, {found['p95_mbps']}, is above the peak, {found['peak_mbps']} Mbit/s"
            if found["full_minutes"] > found["busy_minutes"]:
                yield f"{name}: more full minutes, {found['full_minutes']}, than busy, {found['busy_minutes']}"
            least = found["bytes"] * 8 / 1000 / (end - start)
            if found["bytes"] > 1_000_000 and found["mean_mbps"] < least * (1 - RATES):
                yield f"{name}: the mean, {found['mean_mbps']}, is less than its octets over the window, {least:.3f} Mbit/s"
            if way == "down" and truth.octets(uplink, "in")[0] > 1_000_000:
                # A minute or less: the peak is no lower than the highest minute that the kernel counted.
                highest = truth.highest_mbps(uplink, way, 60)
                if found["peak_mbps"] < highest * (1 - RATES):
                    yield f"{name}: the peak, {found['peak_mbps']}, is less than the highest minute, {highest:.2f} Mbit/s"


def full_minutes(told: Told, truth: Truth) -> Iterator[str]:
    """Full as long as the kernel counted nine tenths of the rate of the plan, less or more a record at either end.

    Uploads are told as they were offered: where the queue dropped some of that, more than was carried.
    """
    for uplink in UPLINKS:
        for way in WAYS:
            plan = told.figures(uplink, way)["capacity_mbps"]
            spans = [
                (second.start_ms, second.end_ms)
                for second in truth.seconds
                if second.mbps[uplink, way] >= 0.9 * plan
            ]
            counted, said = lasting(spans), told.figures(uplink, way)["full_minutes"] * 60
            blur = 2 * RECORD_MS / 1000 * max(1, len(truth.full(uplink, way)) if counted >= FELT_S else 1)
            offered = way == "up" and truth.dropped(uplink, way) > 0
            if abs(said - counted) > blur and not (offered and said > counted):
                yield (
                    f"{uplink} {way}: {said:.0f} s full, the kernel counted {counted:.0f} s "
                    f"(may be {blur:.0f} s off)"
                )


def felt(truth: Truth) -> list[tuple[Uplink, Way]]:
    """Uplinks that were saturated for so long that it was felt."""
    return [(uplink, way) for uplink in UPLINKS for way in WAYS if truth.full_s(uplink, way) >= FELT_S]


def cut_off(truth: Truth) -> list[Span]:
    return [span for span in truth.unanswered() if span[1] - span[0] >= 20_000]


def all_clear(told: Told, truth: Truth) -> Iterator[str]:
    """The line is cleared with high confidence only, and never where it was saturated or cut."""
    cleared = CLEARED.search(told.sentence) or CLEARED.search(told.client)
    troubled = [f"{uplink} {way} was full" for uplink, way in felt(truth)]
    troubled += [f"nothing came through for {(b - a) / 1000:.0f} s" for a, b in cut_off(truth)]
    if told.verdict == "not-the-link" and cleared and troubled and told.confidence == "high":
        yield f"high confidence in {cleared[0]!r}, and {', '.join(troubled)}"
    for words in (told.sentence, told.client):
        if "not the cause" in words and troubled:
            yield f"“was not the cause”, and {', '.join(troubled)}"
        if "not the cause" in words and told.confidence != "high":
            yield f"“was not the cause” with {told.confidence} confidence"
    match = NEVER_ABOVE.search(told.sentence)
    if match:
        # What stood for ten seconds cannot hide in records of five; it can where the export does not tell how long its
        # records are.
        over_s = max(10, int(told.note["coverage"]["resolution_s"]))
        before = told.sentence[: match.start()]
        uplink: Uplink = "wan2" if before.rfind("backup line") > before.rfind("main line") else "wan1"
        for way in WAYS:
            share = truth.highest_mbps(uplink, way, over_s) / told.figures(uplink, way)["capacity_mbps"]
            if share * (1 - RATES) > float(match[1]) / 100:
                yield f"“{match[0]}”, and {uplink} {way} was at {share:.0%} for {over_s} seconds"


def spells(told: Told, truth: Truth) -> Iterator[str]:
    """A finding that a link was full lies where it was full, as long as it was; others have no times before or after."""
    begin, end = truth.span()
    for finding in told.note["findings"]:
        if finding["from"] is None or finding["to"] is None:
            continue
        start, stop = ms_of(finding["from"]), ms_of(finding["to"])
        if start < begin - 2_000 or stop > end + 2_000 or stop <= start:
            yield f"{finding['code']} from {finding['from']} to {finding['to']} is not within the run"


def near(what: str, said: float, counted: float, tolerance: float) -> Iterator[str]:
    if abs(said - counted) > max(counted, 2_000) * tolerance:
        off = (said - counted) / max(counted, 1)
        yield f"{what}: {said:,.0f} told, {counted:,.0f} counted ({off:+.2%})"


def within(what: str, iso: str | None, ms: int, before_ms: int, after_ms: int) -> Iterator[str]:
    """A time that was told, against one of the log."""
    if iso is None:
        yield f"{what} has no time"
        return
    off = ms_of(iso) - ms
    if not -before_ms <= off <= after_ms:
        yield f"{what} is {off / 1000:+.1f} s off what the log has"


def clocks_near(told: Told, sentence: str, moments: list[int], slack_ms: int) -> Iterator[str]:
    """Every time of day in a sentence is that of something that happened."""
    for ms, rounding in told.clocks(sentence):
        off = min(abs(ms - moment) for moment in moments)
        if off > slack_ms + rounding:
            yield f"“{sentence}” names a time at which nothing happened ({off / 1000:.0f} s off)"


def durations_near(sentence: str, seconds: float, slack_s: float) -> Iterator[str]:
    said = lasting_s(sentence)
    if said and min(abs(each - seconds) for each in said) > slack_s:
        yield f"“{sentence}” names {said} s; it was {seconds:.0f} s"
