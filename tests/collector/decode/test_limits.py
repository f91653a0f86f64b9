"""Every bound of the decoder is reached, and what it turns away is counted or named and costs nothing else."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.message_decoder import NEVER_TAUGHT
from flowdiag.collector.decode.problems import FURTHER
from flowdiag.collector.decode.roster import FORGOTTEN
from flowdiag.collector.decode.template_store import EVICTED
from flowdiag.collector.report import ExportReport
from tests.collector.decode.wire import (
    EXPORT_S,
    FLOW_FIELDS,
    a_set,
    decode,
    flow,
    ipfix,
    netflow9,
    options_template,
    session,
    template,
    v4_octets,
    with_template,
)

SELECTED = (*FLOW_FIELDS, (302, 4))
RATES = options_template(300, ((302, 4), (34, 4)))
INTERFACES = options_template(301, ((10, 4), (82, 65535)))
APPLICATIONS = options_template(302, ((95, 4), (96, 65535)))


def word(*numbers: int) -> bytes:
    return struct.pack(f"!{len(numbers)}I", *numbers)


def named(index: int, name: bytes) -> bytes:
    return word(index) + bytes([len(name)]) + name


def domains() -> None:
    """Of too many sessions and observation domains one without records goes, then the one not used for longest."""
    decoded = decode(
        ipfix(with_template(), a_set(256, flow()), domain=1),
        *(ipfix(with_template(), domain=number) for number in range(2, 9)),  # each pushes out the one before
        ipfix(a_set(256, flow()), domain=1, sequence=1),
        ipfix(a_set(256, flow()), domain=8),
        *(Datagram(session(last), b"\0\x0a nothing", None, 0) for last in range(2, 9)),
        ipfix(a_set(256, flow()), domain=8, sequence=1),
        Datagram(session(9), ipfix(with_template(), a_set(256, flow())), None, 0),  # pushes out domain 1
        ipfix(a_set(256, flow()), domain=8, sequence=2),
        limits=Limits(domains=2),
    )
    assert decoded.column("domain") == [1, 1, 8, 8, 1, 8]
    assert sorted((told.domain, told.records) for told in decoded.report.sessions) == [(1, 1), (1, 2), (8, 3)]
    assert [p.count for p in decoded.report.problems if p.what == FORGOTTEN] == [7]


def templates() -> None:
    """A template that never had a record is forgotten first, then the one not used for the longest time."""
    unused = [ipfix(with_template(number), sequence=1) for number in range(300, 310)]
    decoded = decode(
        ipfix(with_template(256), a_set(256, flow())),
        *unused,
        ipfix(a_set(256, flow()), sequence=1),
        ipfix(with_template(257), a_set(257, flow()), a_set(256, flow()), sequence=2),
        ipfix(with_template(258), a_set(258, flow()), sequence=4),  # pushes out 257
        ipfix(*(a_set(number, flow()) for number in (256, 257, 258)), sequence=5),
        limits=Limits(templates=2),
    )
    assert len(decoded.rows) == 7
    assert sorted(decoded.report.sessions[0].templates) == [256, 258]
    assert [p.count for p in decoded.report.problems if p.what == EVICTED] == [11]


def test_twelve_thousand_templates_without_records_cost_the_one_in_use_nothing() -> None:
    messages = [ipfix(with_template(65_000), a_set(65_000, flow()))]
    for first in range(256, 12_256, 60):
        unused = (template(number, FLOW_FIELDS) for number in range(first, first + 60))
        messages.append(ipfix(a_set(2, *unused), sequence=1))
    messages.append(ipfix(a_set(65_000, flow(2)), sequence=1))
    assert decode(*messages).column("octets") == [100, 200]


def template_octets() -> None:
    """The octets of all definitions are bounded, withdrawn ones included, since the report keeps those."""
    over_tcp = session(transport="tcp")
    wide = [template(256 + k, ((8, 4), *((k, 1) for k in range(99)))) for k in range(5)]
    withdrawn = b"".join(struct.pack("!HH", 256 + k, 0) for k in range(4))
    decoded = decode(
        ipfix(a_set(2, *wide[:4]), a_set(2, withdrawn), a_set(2, wide[4])),
        of=over_tcp,
        limits=Limits(template_octets=2000),
    )
    assert sorted(decoded.report.sessions[0].templates) == [259, 260]
    assert decoded.problems == [EVICTED]


def held_sets() -> None:
    """The oldest data sets that wait for a template are given up and counted."""
    waiting = [ipfix(a_set(256, flow(n)), sequence=n) for n in range(1, 5)]
    decoded = decode(*waiting, ipfix(with_template(), sequence=5), limits=Limits(held_sets=3))
    assert decoded.column("octets") == [200, 300, 400]
    assert decoded.report.undecoded_sets == 1
    assert decoded.problems == [f"{NEVER_TAUGHT} (template ids 256 of domain 1)"]


def held_octets() -> None:
    """As held_sets, by octets."""
    waiting = [ipfix(a_set(256, flow(n)), sequence=n) for n in range(1, 5)]
    decoded = decode(*waiting, ipfix(with_template(), sequence=5), limits=Limits(held_octets=2 * len(flow())))
    assert decoded.column("octets") == [300, 400]
    assert decoded.report.undecoded_sets == 2


def pending_octets() -> None:
    """A batch ends when what waits takes more memory than this, in whatever form."""
    decoder = Decoder(ExportReport(), limits=Limits(pending_octets=10_000))
    varying = template(257, ((8, 4), (1, 4), *((96, 65535),) * 50))
    costly = (
        ipfix(with_template(), a_set(2, varying)),  # the message itself
        ipfix(a_set(256, *map(flow, range(200)))),  # octets
        ipfix(a_set(257, bytes(58 * 10))),  # variable-length values
        ipfix(*(a_set(256, flow()) for _ in range(80))),  # data sets
        ipfix(
            *(a_set(2, template(258, ((8, 4), (k, 1)))) + a_set(258, bytes(5)) for k in range(4))
        ),  # templates
    )
    batches = []
    for octets in costly:
        decoder.feed(Datagram(session(), octets, None, 0))
        batches.append([batch.num_rows for batch in decoder.batches()])
    assert batches == [[], [200], [10], [80], [4]]


def recent_messages() -> None:
    """A copy is known as long as no more messages than these came between; later it is a late message."""
    messages = [ipfix(with_template()), *(ipfix(a_set(256, flow(n)), sequence=n - 1) for n in range(1, 6))]
    copied = decode(*messages, messages[4], limits=Limits(recent_messages=2))
    assert (len(copied.rows), copied.report.sessions[0].duplicates) == (5, 1)
    late = decode(*messages, messages[2], limits=Limits(recent_messages=2))
    assert (len(late.rows), late.report.sessions[0].duplicates) == (6, 0)


def options_records() -> None:
    """Options records beyond the bound in one data set are left out and counted."""
    told = b"".join(named(n, b"if") for n in range(1, 6))
    decoded = decode(ipfix(a_set(3, INTERFACES), a_set(301, told)), limits=Limits(options_records=3))
    assert sorted(index for _, index in decoded.report.interfaces) == [1, 2, 3]
    assert [(problem.what, problem.count) for problem in decoded.report.problems] == [
        ("options records beyond the number that is read in one data set were left out", 2)
    ]


def names() -> None:
    """Interfaces, applications and names in records beyond the bound have none; the first ones keep theirs."""
    told = a_set(301, named(1, b"a"), named(2, b"b"), named(3, b"c"), named(1, b"z"))
    applications = a_set(302, named(0x0D000001, b"x"), named(0x0D000002, b"y"), named(0x0D000003, b"z"))
    decoded = decode(ipfix(a_set(3, INTERFACES, APPLICATIONS), told, applications), limits=Limits(names=2))
    assert {index: i.name for (_, index), i in decoded.report.interfaces.items()} == {1: "z", 2: "b"}
    assert sorted(decoded.report.applications.values()) == ["x", "y"]
    fields_of = a_set(2, template(256, ((8, 4), (1, 4), (96, 1))))
    records = a_set(256, *(bytes(8) + letter for letter in (b"p", b"q", b"r", b"p")))
    assert decode(ipfix(fields_of, records), limits=Limits(names=2)).column("application") == [
        "p",
        "q",
        None,
        "p",
    ]


def samplers() -> None:
    """A sampler beyond the bound of its domain is not known; those known may change."""
    limits = Limits(samplers=2)
    first = ipfix(a_set(2, template(256, SELECTED)), a_set(3, RATES), a_set(300, word(1, 10, 2, 20, 3, 30)))
    data = [a_set(256, flow() + word(number)) for number in (1, 2, 3)]
    decoded = decode(first, ipfix(*data, sequence=3), limits=limits)
    assert decoded.column("sampling") == [10, 20, 1]
    changed = decode(first, ipfix(a_set(300, word(2, 50)), *data, sequence=3), limits=limits)
    assert changed.column("sampling") == [10, 50, 1]


def all_samplers() -> None:
    """As samplers, of all domains."""
    messages = [
        ipfix(
            a_set(2, template(256, SELECTED)),
            a_set(3, RATES),
            a_set(300, word(1, 10, 2, 20)),
            a_set(256, *(flow() + word(number) for number in (1, 2))),
            domain=domain,
        )
        for domain in (1, 2)
    ]
    assert decode(*messages, limits=Limits(all_samplers=3)).column("sampling") == [10, 20, 10, 1]


def name_length() -> None:
    """A longer name is cut."""
    decoded = decode(
        ipfix(a_set(3, INTERFACES), a_set(301, named(1, b"abcdef"))), limits=Limits(name_length=4)
    )
    assert [interface.name for interface in decoded.report.interfaces.values()] == ["abcd"]


def list_depth() -> None:
    """Lists deeper than the bound are passed over with all they hold; what stands beside them is read."""
    # basicLists of basicLists (RFC 6313 4.5.1), a name in the innermost.
    innermost = b"\xff\0\x52\xff\xff\x03wan"
    second = b"\xff\x01\x23" + struct.pack("!H", len(innermost)) + innermost
    first = b"\xff\x01\x23" + struct.pack("!H", len(second)) + second
    lists = options_template(303, ((10, 4), (291, len(first))))
    messages = ipfix(a_set(3, lists), a_set(303, word(7) + first))
    known = {depth: decode(messages, limits=Limits(list_depth=depth)).report.interfaces for depth in (2, 3)}
    assert list(known[2]) == []
    assert [interface.name for interface in known[3].values()] == ["wan"]


def record_values() -> None:
    """A record of too many values is left out with those behind it in its data set, and noted."""
    record = b"\xff\0\x0a\0\1" + bytes(range(1, 20))
    lists = options_template(303, ((10, 4), (291, len(record)), (82, 1)))
    messages = ipfix(
        a_set(3, lists, INTERFACES), a_set(303, word(7) + record + b"x"), a_set(301, named(5, b"wan"))
    )
    decoded = decode(messages, limits=Limits(record_values=10))
    assert [problem.what for problem in decoded.report.problems] == [
        "options records were left out: a record of too many values"
    ]
    assert [interface.name for interface in decoded.report.interfaces.values()] == ["wan"]


def losing(*gaps: int) -> list[bytes]:
    """v9 messages with gaps of so many messages between them, in one domain."""
    messages, number = [netflow9(a_set(0, template(256, FLOW_FIELDS)))], 0
    for gap in gaps:
        number += 1 + gap
        messages.append(netflow9(a_set(256, flow(number)), sequence=number))
    return messages


def open_gaps() -> None:
    """A late message fills no gap beyond the bound, whose loss stays reported."""
    late = netflow9(a_set(256, flow(1)), sequence=1)
    assert decode(*losing(1, 1, 1), late).report.lost_messages == 2
    assert decode(*losing(1, 1, 1), late, limits=Limits(open_gaps=2)).report.lost_messages == 3


def gaps() -> None:
    """Gaps beyond the bound of all sequences are added to the one before; no loss is forgotten."""
    decoded = decode(*losing(*range(1, 9)), limits=Limits(gaps=4))
    assert decoded.report.lost_messages == 36
    assert len(decoded.report.losses) < 8
    assert sum(loss.messages for loss in decoded.report.losses) == 36


def losses() -> None:
    """Losses reported one by one are bounded; the sum is not."""
    decoded = decode(*losing(1, 1, 1, 1), limits=Limits(losses=2))
    assert (len(decoded.report.losses), decoded.report.lost_messages) == (2, 4)


def problems() -> None:
    """Kinds of problem beyond the bound are counted together."""
    bad = [ipfix(a_set(2, struct.pack("!HH", number, 1) + bytes(4))) for number in (300, 200)]
    decoded = decode(*bad, b"\0\x0a\0\4", b"\0\1\2\3", limits=Limits(problems=2))
    assert len(decoded.problems) == 3
    assert (decoded.problems[-1], decoded.report.problems[-1].count) == (FURTHER, 2)


def heard_minutes() -> None:
    """Minutes beyond the bound are not kept, of all exporters together."""
    messages = [
        Datagram(session(last), ipfix(export_s=60 * minute), None, 0)
        for last in (1, 2)
        for minute in range(3)
    ]
    heard = decode(*messages, limits=Limits(heard_minutes=4)).report.heard_minutes
    assert sorted(len(minutes) for minutes in heard.values()) == [1, 3]


def running_totals() -> None:
    """Of flows beyond the bound the last totals are forgotten, those heard from longest ago first."""
    fields_of = a_set(2, template(256, ((8, 4), (12, 4), (85, 4), (86, 4))))

    def total(host: int, octets: int) -> bytes:
        return v4_octets(f"10.0.0.{host}") + v4_octets("198.51.100.1") + word(octets, 1)

    later = [ipfix(a_set(256, total(host, 150)), sequence=3 + n) for n, host in enumerate((3, 1))]
    first = ipfix(fields_of, a_set(256, *(total(host, 100) for host in (1, 2, 3))))
    decoded = decode(first, *later, limits=Limits(running_totals=2), batch_rows=1)
    assert decoded.column("octets") == [100, 100, 100, 50, 150]


def clock_samples() -> None:
    """Differences of the clocks beyond the bound are thinned out evenly."""
    messages = [
        Datagram(session(), ipfix(export_s=EXPORT_S + n), (EXPORT_S + n + 7) * 1000, 0) for n in range(100)
    ]
    decoder = Decoder(ExportReport(), limits=Limits(clock_samples=8))
    for message in messages:
        decoder.feed(message)
    list(decoder.finish())
    assert decoder.report.sessions[0].clock_offset_ms == 7000
    assert len(decoder._roster.domains[0].clock_offsets) <= 8


def taught_elements() -> None:
    """Names of elements beyond the bound, of all sessions, are not learned."""
    types = options_template(303, ((346, 4), (303, 2), (341, 65535)), 2)
    told = b"".join(
        word(32473) + struct.pack("!H", number) + b"\1" + bytes([64 + number]) for number in (1, 2, 3)
    )
    used = template(256, ((8, 4), *((number, 1, 32473) for number in (1, 2, 3))))
    decoded = decode(
        ipfix(a_set(3, types), a_set(303, told), a_set(2, used)), limits=Limits(taught_elements=2)
    )
    shown = [field.name for field in decoded.report.sessions[0].templates[256].fields]
    assert shown == ["sourceIPv4Address", "A", "B", "32473/3"]


REACHED: list[Callable[[], None]] = [
    domains, templates, template_octets, held_sets, held_octets, pending_octets, recent_messages, options_records,
    names, samplers, all_samplers, name_length, list_depth, record_values, open_gaps, gaps, losses, problems,
    heard_minutes, running_totals, clock_samples, taught_elements,
]  # fmt: skip


@pytest.mark.parametrize("reach", REACHED, ids=lambda reach: reach.__name__)
def test_a_bound_is_reached(reach: Callable[[], None]) -> None:
    reach()


def test_no_bound_is_without_its_test() -> None:
    assert [reach.__name__ for reach in REACHED] == list(Limits.__struct_fields__)
