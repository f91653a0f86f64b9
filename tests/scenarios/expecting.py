"""What the truth itself asks for: full and busy episodes with their hosts, and the host with most of the
window.

A label is hard only where a few per cent of measuring error cannot change it: an episode is wanted if it is
there at MARGIN above the threshold, allowed if it is only there at MARGIN below, as a verdict too, and its edges lie
between the two.
"""

from __future__ import annotations

from ipaddress import ip_address, ip_network
from typing import TYPE_CHECKING

from flowdiag.scenario.ledger import APPLICATIONS
from flowdiag.scenario.scene import DAY
from flowdiag.scenario.truth import Episode, Truth, shares
from tests.scenarios.labels import Another, Times, Wanted

if TYPE_CHECKING:
    from tests.scenarios.stage import Stage

MARGIN = 0.03
NAMES = ("down", "up")
SHARE_LISTED = 0.10  # hosts with less of an episode need not be named
SINGLE_HOST_SURE, SINGLE_HOST_NEVER = 0.62, 0.40


def add_expectations(stage: Stage, truth: Truth) -> None:
    site = truth.carried.site
    full = site.thresholds.get("full", 0.90)
    busy = site.thresholds.get("busy", 0.70)
    window = stage.window or (stage.start, stage.end)
    in_window: set[str] = set()
    near: set[str] = set()  # there or not, by a few per cent
    for link in range(len(site.links)):
        for direction in (0, 1):
            certain = truth.episodes(link, direction, full * (1 + MARGIN))
            likely = truth.episodes(link, direction, full * (1 - MARGIN))
            for outer in likely:
                inner = [episode for episode in certain if overlap(episode, outer.start_ms, outer.end_ms)]
                if inner:
                    stage.wanted.append(
                        _wanted(
                            "link-full", truth, inner, outer, truth.episodes(link, direction, full), window
                        )
                    )
                    if overlap(outer, *window):
                        in_window.add("link-full")
                else:
                    stage.allow("link-full")
                    if overlap(outer, *window):
                        near.add("link-full")
            for outer in truth.episodes(link, direction, busy * (1 - MARGIN)):
                stage.allow("link-busy")
                inner = [
                    episode
                    for episode in truth.episodes(link, direction, busy * (1 + MARGIN))
                    if overlap(episode, outer.start_ms, outer.end_ms)
                ]
                if inner and not any(overlap(episode, outer.start_ms, outer.end_ms) for episode in likely):
                    stage.wanted.append(_wanted("link-busy", truth, inner, outer, [], window))
                    if overlap(outer, *window):
                        in_window.add("link-busy")
                elif not inner and overlap(outer, *window):
                    near.add("link-busy")
    for code in ("link-full", "link-busy"):
        if code in stage.verdicts and len(stage.verdicts) == 1 and code not in in_window:
            raise Another(f"{stage.name}: the verdict {code} has no such episode in its window")
    if "not-the-link" in stage.verdicts and in_window:
        raise Another(f"{stage.name}: not-the-link, but the truth has {sorted(in_window)}")
    if stage.verdicts in (("not-the-link",), ("link-busy",)):
        stage.verdicts += tuple(sorted(near - set(stage.verdicts)))
    single_host(stage, truth, window)
    if _unmarked_calls(truth, [wish for wish in stage.wanted if wish.code == "link-full"]):
        stage.allow("realtime-contention")


def overlap(episode: Episode, from_ms: float, to_ms: float) -> bool:
    return episode.start_ms < to_ms and episode.end_ms > from_ms


def _wanted(
    code: str,
    truth: Truth,
    inner: list[Episode],
    outer: Episode,
    nominal: list[Episode],
    window: tuple[int, int],
) -> Wanted:
    link = truth.carried.site.links[outer.link]
    touches = overlap(outer, *window)
    near = outer.start_ms < window[1] + DAY and outer.end_ms > window[0] - DAY
    assert near, "situations keep episodes within a day of the window"
    # Shares are those of the time that is over the threshold itself, neither above nor below by the margin.
    span = [episode for episode in nominal if overlap(episode, outer.start_ms, outer.end_ms)] or [outer]
    begin, finish = span[0].start_ms, span[-1].end_ms
    ranked = shares(truth.host_octets(begin, finish, outer.link, (outer.direction,)))
    hosts = {truth.address_text(n): share for n, share in ranked.items() if share >= SHARE_LISTED}
    return Wanted(
        code,
        None if touches else "info",
        link.name,
        NAMES[outer.direction],
        Times((outer.start_ms, inner[0].start_ms), (inner[-1].end_ms, outer.end_ms)),
        hosts if code == "link-full" and touches else {},
    )


def single_host(stage: Stage, truth: Truth, window: tuple[int, int]) -> None:
    ranked = truth.host_shares(*window)
    largest = next(iter(ranked.values()), 0.0)
    number = next(iter(ranked), None)
    if number is not None and not _is_inside(truth, number):
        stage.allow("single-host")  # the router's own traffic, which may stand for many
    elif number is not None and largest >= SINGLE_HOST_SURE and "cannot-tell" not in stage.verdicts:
        stage.wanted.append(Wanted("single-host", "info", hosts={truth.address_text(number): largest}))
    elif largest < SINGLE_HOST_NEVER:
        stage.forbid("single-host")


def _is_inside(truth: Truth, number: int) -> bool:
    address = ip_address(truth.address_text(number))
    return any(address in ip_network(network) for network in truth.carried.site.lan)


def _unmarked_calls(truth: Truth, full: list[Wanted]) -> bool:
    """Whether a call without marking ran at some time when a link was full."""
    talk = truth.carried.conversations
    calls = talk[(talk["application"] == APPLICATIONS.index("video-call")) & (talk["dscp"] == 0)]
    for wish in full:
        if wish.times.start and wish.times.end:
            over = (calls["start"] < wish.times.end[1]) & (calls["end"] > wish.times.start[0])
            if over.any():
                return True
    return False
