"""Start and end of flows in ms since 1970 UTC, from every form that the protocols carry.

Facts the design follows:
- v5 and v9 give uptimes in ms, anchored by the header's uptime and clock: the signed 32-bit difference of the
  two uptimes is the age, wraps after 49.7 days included (RFC 3954 5.1, 8);
- the same elements in IPFIX count from systemInitTimeMilliseconds, 160 (RFC 5102 5.9.11); without it they
  tell nothing;
- micro- and nanoseconds are NTP times: seconds since 1900 and a binary fraction, whose low 11 bits do not
  count in microseconds (RFC 7011 6.1.9). Exporters cut the fraction off, so it is rounded to the nearest
  microsecond; the NTP era is the one nearest to the export time (an era is 136 years, RFC 7011 5.2);
- elements 158 and 159 are microseconds before the export time of their message (RFC 5102 5.9.9);
- a duration and one end give the other end (RFC 5102 5.11.4); an observation time is both (RFC 5477 8.4);
- of several forms the finest absolute one counts; a time that is zero is a field nobody filled in
  (common practice, no source), unless the flow's other end is known and near: an uptime passes zero.

Finer times are rounded to the nearest ms.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.columns import Columns, Integers

Times = NDArray[np.int64]
Mask = NDArray[np.bool_]

NTP_TO_UNIX_S: Final = 2_208_988_800
ERA_S: Final = 1 << 32
UPTIME_WRAP_MS: Final = 1 << 32
MICROSECOND_FRACTION: Final = 0xFFFF_F800

# A flow may end this long after its export: header seconds are whole, and clocks are set while flows run.
CLOCK_SLACK_MS: Final = 60_000
# A flow that ended a day before its export is not believed; active timeouts are minutes.
MAX_AGE_MS: Final = 86_400_000
# Nor is one that started a week before: no active timeout is that long, and it would be spread thin.
MAX_REACH_MS: Final = 7 * 86_400_000

# A zero is a time where the other end of its flow is no further off: longer than any usual active timeout.
NEAR_ZERO_MS: Final = 3_600_000

BACKWARDS: Final = "end before they start"
FUTURE: Final = "end after they were exported"
STALE: Final = "are older than their export by more than a day"


class MessageTimes:
    """What the messages of some data sets say about time, one value a set, spread over their records.

    export_ms: export time; uptime_ms: uptime at export (v5 and v9) or None; counts: records in each set;
    init_ms: when the metering process started, one value or one a record, None if nobody said.
    """

    def __init__(
        self,
        export_ms: Times,
        uptime_ms: NDArray[np.uint32] | None,
        counts: NDArray[np.int64],
        init_ms: int | Times | None = None,
    ) -> None:
        self._export_ms = export_ms
        self._uptime_ms = uptime_ms
        self._counts = counts
        self.init_ms = init_ms
        self.has_uptime = uptime_ms is not None
        self.first_export_ms = int(export_ms.min()) if len(export_ms) else 0
        self.last_export_ms = int(export_ms.max()) if len(export_ms) else 0

    @cached_property
    def export_ms(self) -> Times:
        return np.repeat(self._export_ms, self._counts)

    @cached_property
    def uptime_ms(self) -> NDArray[np.uint32]:
        assert self._uptime_ms is not None
        return np.repeat(self._uptime_ms, self._counts)


class Known(NamedTuple):
    """Times and where they are known; known None: everywhere."""

    ms: Times
    known: Mask | None

    def or_else(self, other: Known) -> Known:
        """These times, and the others where these are unknown."""
        if self.known is None:
            return self
        ms = np.where(self.known, self.ms, other.ms)
        return Known(ms, None if other.known is None else self.known | other.known)


class FlowTimes(NamedTuple):
    """start, end: None if unknown for all. faults: by kind of impossibility, how many records and the first."""

    start: Known | None
    end: Known | None
    faults: dict[str, tuple[int, int]]


def flow_times(columns: Columns, messages: MessageTimes) -> FlowTimes:
    """Start and end of each record; both unknown where they are impossible."""
    init_ms = columns.integer(ie.SYSTEM_INIT_MILLISECONDS)
    if init_ms is not None:
        messages.init_ms = _clipped(init_ms)
    start, end = _absolute(columns, messages)
    if not (_everywhere(start) and _everywhere(end)):
        start, end = _completed(columns, start, end)
    if start is None and end is None:
        return FlowTimes(None, None, {})
    return _believable(start, end, messages)


def _everywhere(times: Known | None) -> bool:
    return times is not None and times.known is None


def _absolute(columns: Columns, messages: MessageTimes) -> tuple[Known | None, Known | None]:
    start: Known | None = None
    end: Known | None = None
    for form in _FORMS:
        if columns.has(form.start, form.end):
            begins, ends = columns.indices(form.start)[:1], columns.indices(form.end)[-1:]
            start = _filled(start, begins, ends, form, columns, messages)
            end = _filled(end, ends, begins, form, columns, messages)
            if form.start == form.end and start is not None and end is not None:
                # Two observation times are the ends of a range in either order (RFC 5477 8.4).
                start, end = (
                    Known(np.minimum(start.ms, end.ms), start.known),
                    Known(np.maximum(start.ms, end.ms), end.known),
                )
            if _everywhere(start) and _everywhere(end):
                break
    return start, end


def _filled(
    times: Known | None,
    indices: Sequence[int],
    others: Sequence[int],
    form: Form,
    columns: Columns,
    messages: MessageTimes,
) -> Known | None:
    """times, completed from a field where they are unknown. others: the field of the flow's other end."""
    found = None if _everywhere(times) else _in_form(indices, form, columns, messages)
    if found is None:
        return times
    values, ms = found
    known = None if form.zero_is_a_time or values.all() else values != 0
    other = None if known is None else _in_form(others, form, columns, messages)
    if known is not None and other is not None:
        known |= (other[0] != 0) & (np.abs(other[1] - ms) <= NEAR_ZERO_MS)
    return Known(ms, known) if times is None else times.or_else(Known(ms, known))


def _in_form(
    indices: Sequence[int], form: Form, columns: Columns, messages: MessageTimes
) -> tuple[Integers, Times] | None:
    """The values of a field and the times that they mean; None where there is no such field, or it means none."""
    values = columns.integer_at(indices[0]) if indices else None
    ms = None if values is None else form.to_ms(values, messages)
    return None if values is None or ms is None else (values, ms)


def _completed(columns: Columns, start: Known | None, end: Known | None) -> tuple[Known | None, Known | None]:
    """The missing end of a flow from its duration."""
    duration = _duration_ms(columns)
    if duration is None:
        return start, end
    from_end = None if end is None else Known(end.ms - duration, end.known)
    from_start = None if start is None else Known(start.ms + duration, start.known)
    return _either(start, from_end), _either(end, from_start)


def _either(times: Known | None, other: Known | None) -> Known | None:
    if times is None or other is None:
        return times or other
    return times.or_else(other)


def _duration_ms(columns: Columns) -> Times | None:
    micro = columns.integer(ie.DURATION_MICROSECONDS)
    if micro is not None:
        return _rounded(_clipped(micro))
    milli = columns.integer(ie.DURATION_MILLISECONDS)
    return None if milli is None else _clipped(milli)


def _believable(start: Known | None, end: Known | None, messages: MessageTimes) -> FlowTimes:
    """Takes out impossible times: both ends of a record, whichever is wrong."""
    if _all_sound(start, end, messages):
        return FlowTimes(start, end, {})
    export_ms = messages.export_ms
    wrong: dict[str, Mask] = {}
    if start is not None and end is not None:
        wrong[BACKWARDS] = _where_known(_where_known(start.ms > end.ms, start.known), end.known)
    last = _either(end, start)
    assert last is not None
    wrong[FUTURE] = _where_known(last.ms > export_ms + CLOCK_SLACK_MS, last.known)
    wrong[STALE] = _where_known(last.ms < export_ms - MAX_AGE_MS, last.known)
    if start is not None:
        wrong[STALE] |= _where_known(start.ms < export_ms - MAX_REACH_MS, start.known)
    bad = np.zeros(len(export_ms), np.bool_)
    faults: dict[str, tuple[int, int]] = {}
    for kind, mask in wrong.items():
        fresh = mask & ~bad
        if fresh.any():
            faults[kind] = int(fresh.sum()), int(fresh.argmax())
            bad |= fresh
    if not faults:
        return FlowTimes(start, end, {})
    return FlowTimes(_without(start, bad), _without(end, bad), faults)


def _all_sound(start: Known | None, end: Known | None, messages: MessageTimes) -> bool:
    """Whether all of the times are sound by their extremes alone, which costs little."""
    if start is None or end is None or start.known is not None or end.known is not None:
        return False
    if not len(start.ms):
        return True
    return bool(
        end.ms.max() <= messages.first_export_ms + CLOCK_SLACK_MS
        and end.ms.min() >= messages.last_export_ms - MAX_AGE_MS
        and start.ms.min() >= messages.last_export_ms - MAX_REACH_MS
        and (start.ms <= end.ms).all()
    )


def _where_known(mask: Mask, known: Mask | None) -> Mask:
    return mask if known is None else mask & known


def _without(times: Known | None, bad: Mask) -> Known | None:
    if times is None:
        return None
    return Known(times.ms, ~bad if times.known is None else times.known & ~bad)


# Each form of time on the wire.

ToMs = Callable[[Integers, MessageTimes], Times | None]


def _rounded(microseconds: Times) -> Times:
    """To the nearest ms."""
    ms: Times = (microseconds + 500) // 1000
    return ms


def _clipped(values: Integers) -> Times:
    """As signed integers; what is beyond any time stays so and does not wrap."""
    if values.dtype == np.uint64 and len(values) and int(values.max()) >= 1 << 61:
        values = np.minimum(values, np.uint64(1 << 61))
    return values.astype(np.int64)


def _ntp(values: Integers, fraction_bits: int, messages: MessageTimes) -> Times:
    """Unix microseconds of NTP times, in the era nearest to the export time."""
    wide = values.astype(np.uint64)
    seconds = (wide >> np.uint64(32)).astype(np.int64) - NTP_TO_UNIX_S
    eras = (messages.export_ms // 1000 - seconds + ERA_S // 2) // ERA_S
    fraction = wide & np.uint64(fraction_bits)
    micro = (fraction * np.uint64(1_000_000) + np.uint64(1 << 31)) >> np.uint64(32)
    unix: Times = (seconds + eras * ERA_S) * 1_000_000 + micro.astype(np.int64)
    return unix


def ntp_microseconds(values: Integers, messages: MessageTimes) -> Times:
    """Unix microseconds of dateTimeMicroseconds."""
    return _ntp(values, MICROSECOND_FRACTION, messages)


def ntp_nanoseconds(values: Integers, messages: MessageTimes) -> Times:
    """Unix microseconds of dateTimeNanoseconds."""
    return _ntp(values, 0xFFFF_FFFF, messages)


def _nanoseconds(values: Integers, messages: MessageTimes) -> Times:
    return _rounded(ntp_nanoseconds(values, messages))


def _microseconds(values: Integers, messages: MessageTimes) -> Times:
    return _rounded(ntp_microseconds(values, messages))


def _milliseconds(values: Integers, messages: MessageTimes) -> Times:
    return _clipped(values)


def _seconds(values: Integers, messages: MessageTimes) -> Times:
    return np.minimum(_clipped(values), 1 << 50) * 1000


def _delta_microseconds(values: Integers, messages: MessageTimes) -> Times:
    return _rounded(messages.export_ms * 1000 - np.minimum(_clipped(values), 1 << 50))


def _uptime(values: Integers, messages: MessageTimes) -> Times | None:
    if messages.has_uptime:
        age = (messages.uptime_ms - values.astype(np.uint32)).view(np.int32)
        since: Times = messages.export_ms - age
        return since
    if messages.init_ms is None:
        return None
    # Counted from a known start, in the wrap nearest to the export time.
    times = _clipped(values) + messages.init_ms
    wraps = (messages.export_ms - times + UPTIME_WRAP_MS // 2) // UPTIME_WRAP_MS
    unwrapped: Times = times + np.maximum(wraps, 0) * UPTIME_WRAP_MS
    return unwrapped


class Form(NamedTuple):
    """The elements that give start and end in one form, what they mean, and whether zero is a time."""

    start: int
    end: int
    to_ms: ToMs
    zero_is_a_time: bool = False


# The finest absolute form first; the observation time of one packet or event last.
_FORMS: Final = (
    Form(ie.START_NANOSECONDS, ie.END_NANOSECONDS, _nanoseconds),
    Form(ie.START_MICROSECONDS, ie.END_MICROSECONDS, _microseconds),
    Form(ie.START_MILLISECONDS, ie.END_MILLISECONDS, _milliseconds),
    Form(ie.START_SECONDS, ie.END_SECONDS, _seconds),
    Form(ie.START_DELTA_MICROSECONDS, ie.END_DELTA_MICROSECONDS, _delta_microseconds, zero_is_a_time=True),
    Form(ie.FLOW_START_UPTIME, ie.FLOW_END_UPTIME, _uptime),
    Form(ie.OBSERVED_NANOSECONDS, ie.OBSERVED_NANOSECONDS, _nanoseconds),
    Form(ie.OBSERVED_MICROSECONDS, ie.OBSERVED_MICROSECONDS, _microseconds),
    Form(ie.OBSERVED_MILLISECONDS, ie.OBSERVED_MILLISECONDS, _milliseconds),
    Form(ie.OBSERVED_SECONDS, ie.OBSERVED_SECONDS, _seconds),
)
