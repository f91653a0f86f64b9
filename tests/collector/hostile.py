"""Exports made to exhaust memory, each aimed at one thing that the decoder keeps, at the real bounds.

`python -m tests.collector.hostile NAME` decodes one of them and prints the most memory it took, in MiB.
"""

from __future__ import annotations

import struct
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.limits import MAX_DOMAINS, MAX_SAMPLERS
from flowdiag.collector.export import MESSAGES_BETWEEN_BATCHES
from flowdiag.collector.report import ExportReport
from tests.collector.decode.wire import a_set, ipfix, options_template, session, template

# The most that a message can hold.
FULL = 65_535 - 16
COUNTERS = ((8, 4), (1, 4))

Message = tuple[Session, bytes]


def _fitting(piece: Callable[[int], bytes], first: int, room: int = FULL - 64) -> bytes:
    """As many pieces as a message can hold."""
    pieces, octets = [], 0
    while octets + len(one := piece(first + len(pieces))) <= room:
        pieces.append(one)
        octets += len(one)
    return b"".join(pieces)


def empty_messages() -> Iterator[Message]:
    """Headers and nothing behind them, each of another time."""
    for number in range(50_000):
        yield session(), ipfix(export_s=number)


def short_messages() -> Iterator[Message]:
    """Data sets without records, by the short way."""
    yield session(), ipfix(a_set(2, template(256, COUNTERS)))
    message = ipfix(a_set(256, padding=7))
    for _ in range(100_000):
        yield session(), message


def templates_over_tcp() -> Iterator[Message]:
    """Ever new templates of many fields, each withdrawn, in two domains: a fifth more than their octets' bound."""
    over_tcp = session(transport="tcp")
    for domain in range(2):
        for number in range(256, 336, 4):
            defined = [template(number + k, [(k, 1)] * 4000) for k in range(4)]
            withdrawn = b"".join(struct.pack("!HH", number + k, 0) for k in range(4))
            yield over_tcp, ipfix(a_set(2, *defined[:4]), a_set(2, withdrawn), domain=domain)


def redefinitions() -> Iterator[Message]:
    """A template redefined before each data set of one record."""
    body = _fitting(
        lambda k: a_set(2, template(256, ((8, 4), (1, 1 + k % 2)))) + a_set(256, bytes(5 + k % 2)), 0
    )
    for number in range(30):
        yield session(), ipfix(body, sequence=number)


def held_sets() -> Iterator[Message]:
    """Data sets of templates that never come, of all ids in many domains."""
    for domain in range(2):
        for first in range(0, 26_000, 13_000):
            body = b"".join(struct.pack("!HHB", 256 + first + k, 5, 0) for k in range(13_000))
            yield session(), ipfix(body, domain=domain)


def names() -> Iterator[Message]:
    """Interfaces and applications with the longest names in the widest characters."""
    name = "\U0001f4a9".encode() * 255
    value = b"\xff" + struct.pack("!H", len(name)) + name
    interfaces = options_template(300, ((10, 4), (82, 65535), (83, 65535)))
    applications = options_template(301, ((95, 4), (96, 65535)))
    yield session(), ipfix(a_set(3, interfaces, applications))
    for number in range(0, 34_000, 25):
        told = b"".join(struct.pack("!I", number + k + 1) + value * 2 for k in range(25))
        yield session(), ipfix(a_set(300, told))
        told = b"".join(struct.pack("!I", 0x0D00_0000 + number + k) + value for k in range(25))
        yield session(), ipfix(a_set(301, told))


def application_names_in_records() -> Iterator[Message]:
    """Another name in each flow record, in characters that grow when they are read."""
    yield session(), ipfix(a_set(2, template(256, (*COUNTERS, (96, 240)))))
    rest = "\U0001f4a9".encode() + b"x" * 228
    for number in range(600):
        records = b"".join(bytes(8) + struct.pack("!II", number, k) + rest for k in range(264))
        yield session(), ipfix(a_set(256, records))


def variable_lengths() -> Iterator[Message]:
    """Records of a thousand values without octets; some ten messages make all that may wait."""
    yield session(), ipfix(a_set(2, template(256, (*COUNTERS, *((96, 65535),) * 1000))))
    message = ipfix(a_set(256, bytes(1008 * 64)))
    for number in range(100):
        yield session(), message[:8] + struct.pack("!I", number) + message[12:]


def gaps() -> Iterator[Message]:
    """A loss before every message, in many domains, over numbers that no reading fits."""
    yield session(), ipfix(a_set(2, template(256, COUNTERS)))
    for number in range(200_000):
        yield session(), ipfix(sequence=number * 7 % 2**32, domain=number % 500)


def minutes() -> Iterator[Message]:
    """Each message from another minute, of many exporters."""
    for number in range(300_000):
        yield session(number % 200), ipfix(export_s=number * 60 % 2**32)


def running_totals() -> Iterator[Message]:
    """Ever new flows of running totals in two domains, a fifth more than are kept."""
    for domain in range(2):
        yield session(), ipfix(a_set(2, template(256, ((27, 16), (28, 16), (85, 8), (86, 8)))), domain=domain)
        for number in range(30):
            records = b"".join(struct.pack("!IIQQQQQ", number, k, k, k, k, 1, 1) for k in range(1300))
            yield session(), ipfix(a_set(256, records), domain=domain)


def samplers() -> Iterator[Message]:
    """More samplers in each domain than it keeps, in more domains than keep that many."""
    for domain in range(80):
        yield session(), ipfix(a_set(3, options_template(300, ((302, 4), (34, 4)))), domain=domain)
        records = b"".join(struct.pack("!II", k, 10) for k in range(MAX_SAMPLERS + 100))
        yield session(), ipfix(a_set(300, records), domain=domain)


def taught_elements() -> Iterator[Message]:
    """Ever new names of elements in many sessions."""
    name = "\U0001f4a9".encode() * 100
    value = b"\xff" + struct.pack("!H", len(name)) + name
    for port in range(3):
        of = session(port=10_000 + port)
        yield of, ipfix(a_set(3, options_template(300, ((346, 4), (303, 2), (341, 65535)), 2)))
        for first in range(0, 5000, 150):
            told = b"".join(struct.pack("!IH", 32473, first + k) + value for k in range(150))
            yield of, ipfix(a_set(300, told))


def clocks() -> Iterator[Message]:
    """Ever another difference of the clocks in as many domains as are kept."""
    for number in range(80_000):
        yield session(), ipfix(export_s=number, domain=number % 4096)


def sessions() -> Iterator[Message]:
    """Ever new senders: three times as many as are kept, and so more than are kept and told of after they went."""
    for number in range(3 * MAX_DOMAINS):
        yield session(number % 256, number // 256), ipfix(a_set(2, template(256, COUNTERS)))


def everything() -> Iterator[Message]:
    """What can be kept longest, one after another in one export."""
    for part in (templates_over_tcp, names, held_sets, running_totals, samplers, taught_elements):
        yield from part()
    for part in (application_names_in_records, variable_lengths):
        yield from part()


STREAMS: dict[str, Callable[[], Iterator[Message]]] = {
    make.__name__: make
    for make in (
        empty_messages, short_messages, templates_over_tcp, redefinitions, held_sets, names,
        application_names_in_records, variable_lengths, gaps, minutes, running_totals, samplers, taught_elements,
        clocks, sessions, everything,
    )
}  # fmt: skip


def decode(messages: Iterator[Message]) -> ExportReport:
    """Decodes without keeping the flows, as the commands do."""
    report = ExportReport()
    decoder = Decoder(report)
    for number, (of, octets) in enumerate(messages):
        decoder.feed(Datagram(of, octets, number * 1000, number), "export")
        if not number % MESSAGES_BETWEEN_BATCHES:
            for batch in decoder.batches():
                batch.validate()
    for batch in decoder.finish():
        batch.validate()
    return report


def main() -> None:
    decode(STREAMS[sys.argv[1]]())
    # Linux counts in KiB.
    # The peak of this program: that of getrusage begins at the one of the process that started it.
    status = Path("/proc/self/status").read_text()
    print(next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")) // 1024)


if __name__ == "__main__":
    main()
