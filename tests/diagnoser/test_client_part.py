"""The verdict's sentences cover the window: all spells of a kind, both directions, and what else was grave.

Times are minutes after 10:00 UTC; plans are 100/20 Mbit/s and, of the backup, 30/5. The wording is the project's own.
"""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.verdict import decide
from flowdiag.site.profile import Label, Link
from flowdiag.text.sentences.devices import device, use
from flowdiag.text.sentences.links import backup_called, called, whose_line
from flowdiag.text.sentences.load import link_busy_client, link_full_client
from tests.diagnoser.building import PING, Book, ms, profile

MBPS_MINUTE = 7_500_000  # octets of a minute at 1 Mbit/s
MINUTE = 60
ARCHIVE = {"address": "192.168.40.20", "label": "imaging archive", "share": 0.9}


def hour(**more: Any) -> Case:
    book = Book()
    book.browse(0, 60 * MINUTE)
    return book.case(more.pop("of", profile()), window=(0, 60 * MINUTE), **more)


def finding(code: str, begin: float, end: float, **more: Any) -> Finding:
    more.setdefault("link", "fibre")
    return Finding(
        code, more.pop("severity", "critical"), more.pop("confidence", "high"), f"{code} summary",
        more.pop("client", f"{code} from {begin} to {end}."), start_ms=ms(begin * MINUTE), end_ms=ms(end * MINUTE), **more,
    )  # fmt: skip


def full(begin: float, end: float, direction: Any = "up", share: float = 0.9, **more: Any) -> Finding:
    evidence = {"hosts": [{**ARCHIVE, "share": share}], **more.pop("evidence", {})}
    return finding("link-full", begin, end, direction=direction, evidence=evidence, **more)


def test_two_full_spells_of_real_traffic_are_both_told() -> None:
    """The upload runs at 19.5 and 0.08 of 20 Mbit/s from 10:10 to 10:20 and from 10:30 to 10:42."""
    book = Book()
    book.browse(0, 60 * MINUTE)
    for begin, end in ((10, 20), (30, 42)):
        for minute in range(begin, end):
            book.row(minute * MINUTE, (minute + 1) * MINUTE - 0.001, way=UP, octets=19.5 * MBPS_MINUTE)
    found = diagnose(book.case(profile(backup=False), window=(0, 60 * MINUTE)))
    assert found.verdict.sentence == (
        "Your line's upload was full from 10:10 to 10:20 and from 10:30 to 10:42, mostly by uploads of your imaging "
        "archive. A full upload slows everything, downloads and calls included."
    )
    assert found.verdict.finding is not None
    assert [one.start_ms for one in (found.verdict.finding, *found.verdict.also)] == [
        ms(30 * MINUTE),
        ms(10 * MINUTE),
    ]


def test_of_more_than_four_spells_the_number_the_total_and_the_longest_are_told() -> None:
    """4 times 4 minutes and once 8 of them: 24 minutes in all."""
    spells = [full(at, at + (8 if at == 30 else 4)) for at in (0, 10, 20, 30, 50)]
    assert decide(hour(), spells).sentence.startswith(
        "Your main line's upload was full in 5 spells between 10:00 and 10:54, 24 minutes in all, the longest from "
        "10:30 to 10:38, mostly by uploads of your imaging archive."
    )
    assert (
        "from 10:00 to 10:04, from 10:10 to 10:14, from 10:20 to 10:24 and from 10:50 to 10:54, mostly"
        in (decide(hour(), [*spells[:3], spells[4]]).sentence)
    )


def test_a_joined_finding_is_told_by_its_spells() -> None:
    spells = [
        {"from": "2026-03-02T10:05:00+00:00", "to": "2026-03-02T10:10:00+00:00"},
        {"from": "2026-03-02T10:14:00+00:00", "to": "2026-03-02T10:20:00+00:00"},
    ]
    sentence = decide(hour(), [full(5, 20, evidence={"spells": spells}), full(40, 50)]).sentence
    assert "was full from 10:05 to 10:10, from 10:14 to 10:20 and from 10:40 to 10:50" in sentence


def test_a_full_download_beside_a_full_upload_is_told_too() -> None:
    sentence = decide(hour(), [full(10, 40), full(5, 15, "down", 0.1), full(45, 50, "down", 0.1)]).sentence
    assert sentence == (
        "link-full from 10 to 40. Your main line's download was full too, from 10:05 to 10:15 and from 10:45 to 10:50, "
        "by many devices together."
    )


def test_the_cause_of_several_spells_is_told_where_it_is_the_same() -> None:
    other = {"hosts": [{"address": "192.168.40.31", "label": None, "share": 0.9}]}
    assert "mostly" not in decide(hour(), [full(10, 20), full(30, 45, evidence=other)]).sentence


def test_what_is_hardly_sure_is_not_told_with_what_is() -> None:
    verdict = decide(hour(), [full(10, 40), full(45, 55, confidence="low")])
    assert (verdict.sentence, verdict.also) == ("link-full from 10 to 40.", ())


def test_two_outages_are_both_told() -> None:
    twice = [finding("outage", 5, 8, link=None), finding("outage", 30, 45, link=None)]
    assert decide(hour(), twice).sentence == (
        "The site had no Internet connection from 10:05 to 10:08 and from 10:30 to 10:45."
    )
    twice[1] = replace(twice[1], evidence={"ongoing_at_end_of_export": True})
    assert decide(hour(), twice).sentence == (
        "The site had no Internet connection from 10:05 to 10:08, and has had none since 10:30."
    )


def test_two_stays_on_the_backup_are_both_told_and_its_full_upload_is_part_of_them() -> None:
    was_full = {"backup_was_full": True}
    stays = [
        finding("on-backup", 5, 15, link="lte"),
        finding("on-backup", 30, 50, link="lte", evidence=was_full),
    ]
    verdict = decide(hour(), [*stays, full(31, 45, link="lte")])
    assert verdict.sentence == (
        "Your main line stopped twice; the site ran on its backup line from 10:05 to 10:15 and from 10:30 to 10:50. "
        "The backup line was at its limit for a part of that time, which makes everything slow."
    )


def test_a_full_line_before_an_outage_is_told_besides() -> None:
    found = [finding("outage", 30, 45, link=None), full(5, 25, client="Your main line's upload was full.")]
    assert decide(hour(), found).sentence == (
        "outage from 30 to 45. Besides, your main line's upload was full."
    )


def test_a_leak_that_somebody_felt_says_whether_the_main_line_had_room() -> None:
    """40.9 Mbit/s of 100 in a minute of their own, and 0.08 of browsing: never above 41%."""
    book = Book()
    book.browse(0, 60 * MINUTE)
    book.row(30 * MINUTE, 31 * MINUTE, way=DOWN, octets=40.9 * MBPS_MINUTE)
    leak = finding("backup-leak", 0, 60, link="lte", evidence={"leak_share": 0.2}, client="A leak.")
    case = book.case(profile(), window=(0, 60 * MINUTE))
    assert decide(case, [leak]).sentence == (
        "A leak. Your main line had room meanwhile: it was never used above 41%."
    )
    assert decide(replace(case, reported=None), [leak]).sentence == "A leak."
    book.row(40 * MINUTE, 42 * MINUTE, way=DOWN, octets=2 * 99 * MBPS_MINUTE)
    filled = book.case(profile(), window=(0, 60 * MINUTE))
    assert decide(filled, [leak]).sentence == (
        "A leak. Your main line was at its limit meanwhile too, for up to 2 minutes at a stretch."
    )


def test_spells_too_short_for_a_finding_are_told_beside_another_trouble() -> None:
    """Seven minutes, of which the download is full for one and the backup's upload, 5 Mbit/s, for half a one, twice."""
    book = Book()
    book.browse(0, 420)
    for second in range(60, 120, 10):
        book.row(second, second + 10, way=DOWN, octets=98 * 1_250_000)
    for second in (180, 190, 200, 300, 310, 320):
        book.row(second, second + 10, way=UP, link="lte", octets=4.9 * 1_250_000)
    case = book.case(profile(), span=(0, 420), window=(0, 420))
    main = "Besides, your main line's download was full for 60 seconds from 10:01 on."
    backup = "Besides, your backup line's upload was full for 60 seconds in 2 short spells from 10:03 on."
    stay = finding("on-backup", 2, 6, link="lte", client="On its backup.")
    assert decide(case, [stay]).sentence == f"On its backup. {main} {backup}"
    leak = finding("backup-leak", 0, 7, link="lte", client="A leak.", evidence={"leak_share": 0.2})
    told = decide(case, [leak]).sentence
    assert told.endswith(f"at a stretch. {backup}")
    assert main not in told
    # What is the verdict already, what nobody felt, and what an attack made, is not told.
    assert decide(case, [full(0, 7, "down", client="Full.")]).sentence == f"Full. {backup}"
    assert decide(replace(case, reported=None), [stay]).sentence == "On its backup."
    flood = finding("inbound-flood", 0, 7, client="A flood.", evidence={"fills_link": True})
    assert decide(case, [flood]).sentence == "A flood."


def test_a_blank_complaint_is_none() -> None:
    dead = finding("keepalive-missing", 0, 60, link="lte", severity="warning")
    assert decide(hour(reported="  "), [dead]).code == "keepalive-missing"


# Devices


def labelled(network: str, name: str) -> Case:
    return hour(of=profile().model_copy(update={"label": [Label(network=network, name=name)]}))


@pytest.mark.parametrize(
    ("network", "label", "said"),
    [
        ("192.168.40.20/32", "imaging archive", "your imaging archive"),
        ("192.168.40.20/32", "The front desk", "your front desk"),
        ("192.168.40.20/32", "Kim's laptop", "the device “Kim's laptop”"),
        ("192.168.40.20/32", "server is broken call 555 0100 at once", "the device “server is broken call 555 0100 at once”"),
        ("192.168.40.20/32", "x" * 60, f"the device “{'x' * 39}…”"),
        ("192.168.40.20/32", "pay at evil.example", "one device"),
        ("192.168.40.20/32", "192.168.40.20", "one device"),
        ("192.168.40.20/32", "a” is safe", "one device"),
        ("192.168.40.20/32", "bad\u202edevice", "one device"),
        ("192.168.40.0/24", "imaging network", "a device in your imaging network"),
        ("192.168.40.0/24", "imaging", "a device in your network “imaging”"),
        ("192.168.41.0/24", "elsewhere", "one device"),
    ],
)  # fmt: skip
def test_a_device_is_called_by_its_label_and_a_network_is_no_device(
    network: str, label: str, said: str
) -> None:
    assert device(labelled(network, label), ARCHIVE) == said


def test_a_label_of_one_ipv6_address_is_a_device() -> None:
    host = {"address": "2001:db8:40::20", "share": 1.0}
    assert device(labelled("2001:db8:40::20/128", "imaging archive"), host) == "your imaging archive"
    assert device(labelled("2001:db8:40::/64", "guest wifi"), host) == "a device in your guest wifi"


def test_a_use_is_named_where_it_tells_something() -> None:
    case = hour()
    assert use(case, {"applications": [{"application": "submission", "share": 0.7}]}) == (
        ", by the look of it mail"
    )
    assert use(case, {"applications": [{"application": "submission", "share": 0.5}]}) == ""
    assert use(case, {"applications": [{"application": "https", "share": 1.0}]}) == ""


# Links whose names say what they are


@pytest.mark.parametrize(
    ("name", "in_a_sentence", "as_a_backup"),
    [
        ("lte", "lte", "backup lte"), ("backup", "the backup", "backup"),
        ("LTE backup", "the LTE backup", "LTE backup"), ("primary", "the primary line", "backup primary"),
        ("line", "the line", "backup line"), ("main", "the main line", "backup main"),
        ("main line", "the main line", "backup main line"), ("fibre", "fibre", "backup fibre"),
    ],
)  # fmt: skip
def test_a_link_is_not_called_twice_what_it_is(name: str, in_a_sentence: str, as_a_backup: str) -> None:
    assert (called(name), backup_called(name)) == (in_a_sentence, as_a_backup)


def test_one_of_several_primaries_is_called_by_its_name() -> None:
    more = [
        Link(name=name, interfaces=[9 + at], down_mbps=50, up_mbps=10)
        for at, name in enumerate(("cable", "line"))
    ]
    case = hour(of=profile(extra=more))
    assert [whose_line(case, at) for at in range(4)] == [
        'line "fibre"',
        "backup line",
        'line "cable"',
        '"line"',
    ]


@pytest.mark.parametrize(
    "names", [("main", "backup"), ("primary", "LTE backup"), ("line", "lte"), ("main line", "backup")]
)
def test_no_word_is_said_twice_in_a_row_whatever_the_links_are_called(names: tuple[str, str]) -> None:
    """A full main line, a stay on the backup, a leak and a silent test: every sentence of all findings."""
    site = profile(keepalives=[PING])
    links = [link.model_copy(update={"name": name}) for link, name in zip(site.link, names, strict=True)]
    book = Book()
    book.browse(0, 20 * MINUTE)
    book.browse(20 * MINUTE, 35 * MINUTE, link="lte")
    book.browse(35 * MINUTE, 60 * MINUTE)
    book.pings(0, 30 * MINUTE)
    for minute in range(5, 15):
        book.row(minute * MINUTE, (minute + 1) * MINUTE - 0.001, way=UP, octets=19.5 * MBPS_MINUTE)
    book.talk(40 * MINUTE, 58 * MINUTE, 50e6, 5e6, link="lte", outside="203.0.113.200")
    found = diagnose(book.case(site.model_copy(update={"link": links}), window=(0, 60 * MINUTE)))
    codes = {one.code for one in found.findings}
    assert {"link-full", "on-backup", "keepalive-missing"} <= codes
    said = [found.verdict.sentence, *(text for one in found.findings for text in (one.summary, one.client))]
    for sentence in said:
        words = sentence.casefold().replace('"', "").replace("'s", "").split()
        assert not [pair for pair in zip(words, words[1:], strict=False) if pair[0] == pair[1]], sentence
        assert "backup lte backup" not in sentence.casefold()


def test_named_devices_are_told_among_several() -> None:
    def cause(
        *hosts: tuple[str, float], label: str = "192.168.40.20/32", name: str = "imaging archive"
    ) -> str:
        case = hour(of=profile(backup=False).model_copy(update={"label": [Label(network=label, name=name)]}))
        rows = [{"address": address, "share": share} for address, share in hosts]
        return link_full_client(case, 0, UP, [(ms(0), ms(600))], {"hosts": rows}, over=False).split(". ")[0]

    four = [(f"192.168.40.{20 + number}", 0.25) for number in range(4)]
    assert cause(*four).endswith("10:10, by a few devices together, among them your imaging archive")
    assert cause(*four[1:], ("192.168.40.20", 0.1)).endswith("10:10, by a few devices together")
    eight = [(f"192.168.40.{20 + number}", 0.125) for number in range(8)]
    assert cause(*eight).endswith("10:10, by many devices together")
    assert cause(*eight, label="192.168.40.16/28", name="cameras").endswith(
        "10:10, by many devices in your network “cameras”"
    )


def test_the_longest_gap_of_several_failovers_is_told_where_it_was_felt() -> None:
    stays = [
        finding("on-backup", 10 + 20 * n, 15 + 20 * n, link="lte", evidence={"gap_s": gap})
        for n, gap in enumerate((45.0, 2.0))
    ]
    told = "Before it changed over, nothing was carried for up to 45 seconds."
    assert told in decide(hour(), stays).sentence
    quick = [replace(one, evidence={"gap_s": 2.0}) for one in stays]
    assert "Before it changed over" not in decide(hour(), quick).sentence


def test_a_named_device_that_keeps_a_line_busy_is_named() -> None:
    case = hour()
    parts = [(ms(0), ms(600))]
    said = link_busy_client(case, 0, UP, parts, {"hosts": [ARCHIVE]}, short_of_full=True)
    assert said.startswith(
        "Your main line's upload was busy from 10:00 to 10:10, mostly by uploads of your imaging archive, though not full; "
    )
    other = {"hosts": [{**ARCHIVE, "address": "192.168.40.99"}]}
    assert "mostly" not in link_busy_client(case, 0, UP, parts, other, short_of_full=True)
