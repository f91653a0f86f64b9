"""Times on the wire against values worked out by hand from RFC 3954 5.1, RFC 7011 6.1 and RFC 5102 5.9."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.collector.decode.times import MessageTimes, ntp_microseconds, ntp_nanoseconds
from tests.collector.decode.wire import a_set, decode, ipfix, netflow5, netflow9, record5, template

SECONDS = 1_380_000_000  # 2013-09-24T05:20:00Z


@pytest.mark.parametrize(
    ("header_uptime", "uptime", "expected_ms"),
    [
        (7_200_000, 7_190_000, 1_379_999_990_000),
        (5_000, 4_294_967_000, 1_379_999_994_704),  # the uptime wrapped between: an age of 5296 ms
        (5_000, 5_200, 1_380_000_000_200),  # after the header: an age of -200 ms
    ],
)
def test_netflow9_uptimes(header_uptime: int, uptime: int, expected_ms: int) -> None:
    fields = a_set(0, template(256, ((8, 4), (22, 4), (21, 4))))
    record = bytes(4) + uptime.to_bytes(4, "big") * 2
    (row,) = decode(netflow9(fields, a_set(256, record), uptime_ms=header_uptime, export_s=SECONDS)).rows
    assert row["start"].timestamp() * 1000 == expected_ms  # type: ignore[attr-defined]
    assert row["end"].timestamp() * 1000 == expected_ms  # type: ignore[attr-defined]


def test_netflow5_uptimes_count_from_seconds_and_nanoseconds() -> None:
    record = record5(first=7_190_000, last=7_195_100)
    message = netflow5(record, export_s=SECONDS, nanoseconds=250_000_000, uptime_ms=7_200_000)
    (row,) = decode(message).rows
    assert row["start"].isoformat() == "2013-09-24T05:19:50.250000+00:00"  # type: ignore[attr-defined]
    assert row["end"].isoformat() == "2013-09-24T05:19:55.350000+00:00"  # type: ignore[attr-defined]


def unix_microseconds(octets: str, nano: bool = False, export_s: int = SECONDS) -> int:
    values = np.array([int(octets, 16)], np.uint64)
    messages = MessageTimes(np.array([export_s * 1000]), None, np.array([1]))
    read = ntp_nanoseconds if nano else ntp_microseconds
    return int(read(values, messages)[0])


def test_ntp_microseconds_are_rounded_to_the_nearest() -> None:
    # 0.123456 s is 530239483.3 / 2^32; an exporter cuts to 0x1f9ad37a and masks the low 11 bits.
    assert unix_microseconds("d5eb9f801f9ad000") == SECONDS * 1_000_000 + 123_456


def test_the_low_eleven_bits_of_microseconds_do_not_count() -> None:
    # RFC 7011 6.1.9
    assert unix_microseconds("d5eb9f801f9ad7ff") == unix_microseconds("d5eb9f801f9ad000")
    assert unix_microseconds("d5eb9f80000007ff") == SECONDS * 1_000_000


def test_all_bits_of_nanoseconds_count() -> None:
    # 0x7ff / 2^32 s is 0.4766 us, 0x900 / 2^32 is 0.5364 us
    assert unix_microseconds("d5eb9f80000007ff", nano=True) == SECONDS * 1_000_000
    assert unix_microseconds("d5eb9f8000000900", nano=True) == SECONDS * 1_000_000 + 1


def test_ntp_seconds_2208988800_are_1970() -> None:
    assert unix_microseconds("83aa7e8000000000", export_s=0) == 0


def test_ntp_era_one_starts_in_february_2036() -> None:
    # 2036-02-07T06:28:16Z is 2085978496 s after 1970 (the RFC's 8 February is a misprint)
    assert unix_microseconds("0000000000000000", export_s=2_085_978_500) == 2_085_978_496_000_000
    assert unix_microseconds("ffffffff00000000", export_s=2_085_978_500) == 2_085_978_495_000_000


FORMS = {
    "seconds": ((150, 4), (151, 4), SECONDS - 10, SECONDS - 8),
    "milliseconds": ((152, 8), (153, 8), (SECONDS - 10) * 1000, (SECONDS - 8) * 1000),
    "microseconds": (
        (154, 8),
        (155, 8),
        (SECONDS - 10 + 2_208_988_800) << 32,
        (SECONDS - 8 + 2_208_988_800) << 32,
    ),
    "nanoseconds": (
        (156, 8),
        (157, 8),
        (SECONDS - 10 + 2_208_988_800) << 32,
        (SECONDS - 8 + 2_208_988_800) << 32,
    ),
    "microseconds before export": ((158, 4), (159, 4), 10_000_000, 8_000_000),
    "start and duration in ms": ((152, 8), (161, 4), (SECONDS - 10) * 1000, 2000),
    "end and duration in us": ((162, 4), (153, 8), 2_000_000, (SECONDS - 8) * 1000),
    "seconds of 8 octets, as in RFC 7133's figure": ((150, 8), (151, 8), SECONDS - 10, SECONDS - 8),
    "two observation times, the later first": (
        (323, 8),
        (323, 8),
        (SECONDS - 8) * 1000,
        (SECONDS - 10) * 1000,
    ),
}


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS.keys())
def test_a_flow_from_10_to_8_seconds_before_its_export(
    form: tuple[tuple[int, int], tuple[int, int], int, int],
) -> None:
    first, second, first_value, second_value = form
    fields = a_set(2, template(256, ((8, 4), first, second)))
    record = bytes(4) + first_value.to_bytes(first[1], "big") + second_value.to_bytes(second[1], "big")
    (row,) = decode(ipfix(fields, a_set(256, record), export_s=SECONDS)).rows
    assert row["start"].timestamp() == SECONDS - 10  # type: ignore[attr-defined]
    assert row["end"].timestamp() == SECONDS - 8  # type: ignore[attr-defined]


def test_ipfix_uptimes_count_from_the_init_time_in_the_record() -> None:
    # RFC 5102 5.9.11 to 5.9.13
    init_ms = SECONDS * 1000 - 5_000_000
    fields = a_set(2, template(256, ((8, 4), (22, 4), (21, 4), (160, 8))))
    record = (
        bytes(4)
        + (4_990_000).to_bytes(4, "big")
        + (4_992_000).to_bytes(4, "big")
        + init_ms.to_bytes(8, "big")
    )
    (row,) = decode(ipfix(fields, a_set(256, record), export_s=SECONDS)).rows
    assert row["start"].timestamp() == SECONDS - 10  # type: ignore[attr-defined]
    assert row["end"].timestamp() == SECONDS - 8  # type: ignore[attr-defined]


def test_ipfix_uptimes_without_init_time_tell_nothing() -> None:
    fields = a_set(2, template(256, ((8, 4), (22, 4), (21, 4))))
    (row,) = decode(ipfix(fields, a_set(256, bytes(4) + b"\0\1\0\0" * 2), export_s=SECONDS)).rows
    assert (row["start"], row["end"]) == (None, None)


def test_the_era_is_that_of_the_record_s_own_message() -> None:
    """Two messages of one batch: the same seconds 0 of era 1 (7 February 2036), and of era 0 (1 January 1900)."""
    values = np.array([0, 0], np.uint64)
    messages = MessageTimes(np.array([2_085_978_496_000, -2_208_988_800_000 // 2]), None, np.array([1, 1]))
    assert ntp_microseconds(values, messages).tolist() == [2_085_978_496_000_000, -2_208_988_800_000_000]
