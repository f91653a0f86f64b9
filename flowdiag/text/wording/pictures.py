"""What is written in and beside the pictures of a note, also for those who cannot see them."""

from __future__ import annotations

from typing import Final

from flowdiag.durations import MINUTE_MS
from flowdiag.text.clock import Clock
from flowdiag.text.figures import count, percent, plan_rate, rate
from flowdiag.text.wording.note import WAYS
from flowdiag.text.wording.shown import Chart, Stack

# A link that never reached this part of its plan is not worth a picture of full size.
HARDLY_USED: Final = 0.02
# Times of one kind that are told to those who cannot see a picture; nobody listens to hundreds.
MOST_SAID: Final = 20
ASKED: Final = "time looked at"
NO_RECORDS: Final = "no records"
NO_RECORDS_IN_THIS_TIME: Final = "no records in this time"
LOAD: Final = "load"
STATE: Final = "link"
BUSY: Final = "busy"
FULL: Final = "full"
OTHERS: Final = "all others"
# What a link did, by its code.
STATES: Final = {
    "silent": "silent",
    "keepalives only": "keepalives only",
    "carrying": "carrying",
    "unknown": "unknown",
}
FINDING_1: Final = "finding 1"
PICTURE_LEGEND: Final = (
    "Lines show the mean of each step, with the link's framing; the dashed line is the plan's rate, a "
    "dotted one the highest minute of each step. Striped and dotted marks under a chart show where the "
    "link was full or busy for at least three minutes, and what it did: carrying traffic, keepalives only (or "
    "as little), silent, or unknown."
)


# Rows under a chart in text.
ROW_LOAD: Final = "load"
ROW_ASKED: Final = "asked"
ROW_STATE: Final = "state"
TEXT_LEGEND: Final = (
    "Heights are shares of the plan's rate; the line at 100% is the plan. ░ no records. load: F full, b busy "
    "for at least three minutes. asked: the time looked at. state: ━ carrying traffic, · keepalives only "
    "(or as little), blank silent, ? not known."
)


def chart_title(link: str, direction: str) -> str:
    return f"{link}, {WAYS[direction]}"


def hardly_used(chart: Chart) -> str:
    """For a chart that is not worth drawing."""
    states = {span.state for span in chart.states}
    only = f", {STATES[states.pop()]} throughout" if len(states) == 1 else ""
    return f"never above {percent(HARDLY_USED)} of it{only}"


def plan(mbps: float, *, out_of_sight: bool = False) -> str:
    return f"plan {plan_rate(mbps)}{', far above' if out_of_sight else ''}"


def text_chart_title(link: str, direction: str, mbps: float) -> str:
    return f"{chart_title(link, direction)}: 100% is {plan_rate(mbps)}"


def column_is(minutes: int) -> str:
    return f"a column is {count(minutes, 'minute')}"


def chart_description(chart: Chart, clock: Clock) -> str:
    """What a chart shows, for those who cannot see it."""
    said = [
        f"Rate {clock.full_span(chart.start_ms, chart.end_ms)}, one step is "
        f"{count(chart.step_ms // MINUTE_MS, 'minute')}; the plan is {plan_rate(chart.capacity_mbps)}."
    ]
    known = [value for value in chart.peaks if value is not None]
    if known:
        said.append(f"The highest minute is {rate(max(known))}.")
    if len(known) < len(chart.rates):
        said.append("Parts have no records.")
    dated = not clock.same_day(chart.start_ms, chart.end_ms)
    for name, spans in ((FULL, chart.full), (BUSY, chart.busy)):
        said += [f"It was {name} {clock.span(*span, day=dated)}." for span in spans[:MOST_SAID]]
        if len(spans) > MOST_SAID:
            said.append(f"It was {name} {count(len(spans) - MOST_SAID, 'more time')}.")
    return " ".join(said)


def stack_title(link: str, direction: str) -> str:
    return f"Who used {chart_title(link, direction)}"


def stack_description(stack: Stack, clock: Clock) -> str:
    shown = (stack.chart.start_ms, stack.chart.end_ms)
    dated = not clock.same_day(min(shown[0], stack.episode_ms[0]), max(shown[1], stack.episode_ms[1]))
    names = ", ".join(layer.name for layer in stack.layers)
    return (
        f"Rates {clock.full_span(*shown)}, stacked, of the devices that were largest in {FINDING_1}, "
        f"{clock.span(*stack.episode_ms, day=dated)}; from the bottom: {names}."
    )
