"""Export messages lost on the way, and a router that restarts with flows in its cache, while the line is full or not."""

from __future__ import annotations

from flowdiag.scenario import activities as do
from flowdiag.scenario.site import OVERHEAD_OCTETS
from tests.scenarios.short_windows import MODEST, SEGMENT
from tests.scenarios.stage import Stage, situation

# So many that the records of one minute, each lost by chance, still add up to within some 5 % of their share.
TRANSFERS = 80


def many_transfers(s: Stage, minutes: float, level: float, up: bool = True) -> None:
    """Transfers from minute 15 on at so much of the plan in all, their records scattered over many messages."""
    link = s.the_site.links[0]
    payload = SEGMENT / (SEGMENT + OVERHEAD_OCTETS[link.framing])
    mbps = (link.up_mbps if up else link.down_mbps) * payload * min(level, 1.0)
    go = do.upload if up else do.download
    for number in range(TRANSFERS):
        host = s.scene.hosts[number % len(s.scene.hosts)]
        go(
            s.scene, host, s.at(15 + s.uniform(0, 0.9)), mbps / 8 * 60 * minutes / TRANSFERS,
            cap_mbps=mbps / TRANSFERS if level < 1 else float("inf"),
        )  # fmt: skip


def lossy(s: Stage, low: float, high: float) -> None:
    s.automatic = False
    s.router(active_s=s.choose((20, 30, 60)), both_points=False)
    s.site(plans=MODEST)
    s.open(75, background=0.02, hosts=12)
    s.router(loss=s.uniform(low, high))
    s.look(20, 45)


@situation
def full_and_an_eighth_of_the_messages_is_lost(s: Stage) -> None:
    """Measured at four fifths of the plan, estimated at all of it."""
    lossy(s, 0.12, 0.2)
    many_transfers(s, 45, 1.0, up=bool(s.rng.random() < 0.7))
    s.allow("link-busy", "below-plan")
    s.want("link-full", severity="critical", link="fibre")
    s.want("export-gap", severity="warning")
    s.never_high = True
    s.verdict("link-full")


@situation
def full_and_a_few_messages_are_lost(s: Stage) -> None:
    lossy(s, 0.02, 0.05)
    many_transfers(s, 45, 1.0, up=bool(s.rng.random() < 0.7))
    s.allow("link-busy")
    s.want("link-full", severity="critical", link="fibre")
    s.want("export-gap", severity="any")
    s.verdict("link-full")


@situation
def busy_and_an_eighth_of_the_messages_is_lost(s: Stage) -> None:
    """Near miss of a full line: estimated at 80 % of the plan."""
    lossy(s, 0.12, 0.18)
    many_transfers(s, 45, 0.8)
    s.forbid("link-full")
    s.want("link-busy", link="fibre", direction="up")
    s.want("export-gap", severity="warning")
    s.never_high = True
    s.verdict("link-busy")


@situation
def half_used_and_a_tenth_of_the_messages_is_lost(s: Stage) -> None:
    """Near miss: neither measured nor estimated near the limit."""
    lossy(s, 0.06, 0.14)
    many_transfers(s, 45, s.uniform(0.4, 0.48))
    s.forbid("link-full", "link-busy", "outage")
    s.want("export-gap", severity="warning")
    s.never_high = True


def half_lost(s: Stage, level: float) -> None:
    """Transfers at so much of the plan for half an hour, and half of the messages are lost for some minutes of it."""
    lossy(s, 0.45, 0.55)
    begin = s.uniform(26, 32)
    s.router(loss_span=(s.at(begin), s.at(begin + s.uniform(3, 6))))
    many_transfers(s, 30, level)
    s.want("export-gap", severity="any")


@situation
def full_and_half_of_the_messages_are_lost_for_minutes(s: Stage) -> None:
    """One full time, not two: the dip is made of records that were lost."""
    half_lost(s, 1.0)
    s.look(18, 44)
    s.allow("link-busy")
    s.want("link-full", severity="critical", link="fibre", direction="up", start=s.at(15.9), once=True)
    s.verdict("link-full")


@situation
def busy_and_half_of_the_messages_are_lost_for_minutes(s: Stage) -> None:
    """Near miss of a full line: four fifths of the plan, before and after and, by the estimate, meanwhile."""
    half_lost(s, 0.8)
    s.forbid("link-full")
    s.want("link-busy", link="fibre", direction="up", once=True)
    s.verdict("link-busy")


def restarted(s: Stage, minute: float) -> tuple[int, int]:
    """The router restarts: down for 10 to 60 s, what its cache held is lost, sequence and uptime begin anew."""
    down = s.at(minute)
    s.restart = (down, down + int(s.uniform(10, 60)) * 1000)
    s.allow("export-gap")
    return s.restart


@situation
def the_router_restarts_while_the_line_is_full(s: Stage) -> None:
    """One full time, not two: the dip is made of records that were never sent."""
    s.automatic = False
    s.router(active_s=s.choose((20, 60)))
    s.site(plans=MODEST)
    s.open(75, background=0.02, hosts=12)
    many_transfers(s, 30, 1.0)
    restarted(s, s.uniform(28, 34))
    s.look(18, 44)
    s.want("link-full", severity="critical", link="fibre", direction="up", start=s.at(15.9),
           once=True)  # fmt: skip
    s.want("export-gap", severity="any")
    s.allow("link-busy")
    s.forbid("outage", "on-backup", "flapping")
    s.verdict("link-full")


@situation
def the_router_restarts_in_a_healthy_hour(s: Stage) -> None:
    """Near miss of an outage: the lines went on, or the router was away for seconds."""
    s.router(active_s=s.choose((20, 60)))
    s.site(plans=MODEST)
    s.open(75, background=0.05, hosts=12)
    restarted(s, s.uniform(28, 40))
    s.look(15, 60)
    s.want("export-gap", severity="any")
    s.forbid("outage", "on-backup", "flapping", "link-full", "below-plan")
