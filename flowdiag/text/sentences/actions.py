"""What to do about the findings on a link's load: next steps, each with who takes it."""

from __future__ import annotations

from typing import Final

from flowdiag.text.action import Action

LINK_FULL: Final = (
    Action("client", "Pause the large transfer, or run it outside working hours."),
    Action("helpdesk", "Find out with the client what the busiest device is doing and whether it can wait."),
    Action("engineer", "Limit bulk transfers a little under the line's rate, and give calls priority."),
    Action("account manager", "If the line is full on many days, compare it with a larger plan."),
)
SHORT_FULL: Final = (
    Action("helpdesk", "Ask whether the trouble came at just these times; if so, they explain it."),
)
LINK_FULL_SHARED: Final = (
    Action("client", "Put off what can wait, such as updates and large transfers."),
    Action("helpdesk", "Find out with the client what the busiest devices are doing and what can wait."),
    Action("engineer", "Share the line fairly among the devices, and give calls priority."),
    Action("account manager", "If the line is full on many days, compare it with a larger plan."),
)
LINK_FULL_BACKUP: Final = (
    Action("client", "Put off large transfers until the main line is back."),
    Action("helpdesk", "Find out with the client what the busiest device is doing and whether it can wait."),
    Action("engineer", "Keep bulk transfers off the backup while it carries the site."),
)
OVER_PLAN: Final = (
    Action("helpdesk", "Compare the plan rate in the site profile with the contract, and correct it first."),
    Action(
        "engineer", "Check the profile's interfaces and framing, and whether records count packets twice."
    ),
    Action("account manager", "Offer no larger plan before the rate is settled."),
)
OFFERED: Final = (
    Action(
        "engineer",
        "Read the interface's own counters over the same time: queue or shaper drops with octets near the plan mean "
        "that more was offered than the full link carried; octets above the plan, that the plan rate on record "
        "is too low.",
    ),
    Action(
        "engineer",
        "Without counters: a TCP upload's acknowledgements in the download tell how much of it arrived.",
    ),
    Action(
        "helpdesk",
        "Compare the plan rate in the site profile with the contract, and test the line's rate in a quiet time.",
    ),
    Action("account manager", "Offer no larger plan before the rate is settled."),
)
METER_INSIDE: Final = Action(
    "engineer",
    "Let the router meter on its inside too, before it translates addresses, so that records name the devices.",
)
LINK_BUSY: Final = (
    Action(
        "helpdesk",
        "Ask whether the trouble comes at the busiest minutes; short peaks may have filled the line.",
    ),
    Action("engineer", "Look at the busiest devices and give calls priority before the line is full."),
    Action("account manager", "Watch whether this line gets busier from month to month."),
)
BELOW_PLAN: Final = (
    Action(
        "helpdesk", "Compare the plan rate in the site profile with the contract, then test the line's rate."
    ),
    Action("field engineer", "Check the port's speed and duplex, the cabling and the line's trained rate."),
    Action("engineer", "Look for a shaper or policer on the router, then open a fault with the carrier."),
)
BELOW_TYPICAL: Final = (
    Action("helpdesk", "Test the line's rate at another time of day; this kind of line varies."),
    Action(
        "field engineer",
        "Check signal, antenna and its surroundings; roof and mast work is for licensed people.",
    ),
    Action("engineer", "If it stays low, open a fault with the carrier and give the times."),
)
CALLS: Final = (
    Action(
        "engineer", "Mark calls (DSCP EF for voice, AF41 for video) and give them priority on the full line."
    ),
    Action("client", "Until then, keep large transfers out of the hours with many calls."),
)
ONE_HOST: Final = (
    Action("helpdesk", "Ask the client what this device is and whether its traffic is expected."),
)
GAP: Final = (
    Action("engineer", "Check the exporter, its path to the collector and the collector for drops."),
)
