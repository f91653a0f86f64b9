"""Where the fuzzer starts: small sound files of every kind, one for each thing the decoder knows how to read."""

from __future__ import annotations

import bz2
import gzip
import struct

import zstandard

from tests.collector.decode.wire import (
    EXPORT_S,
    FLOW_FIELDS,
    UPTIME_MS,
    a_set,
    flow,
    ipfix,
    netflow5,
    netflow9,
    options_template,
    options_template9,
    record5,
    template,
    v4_octets,
    with_template,
    with_template9,
)
from tests.collector.readers.builders import ETHERNET_HEADER, frame, ipv4, udp
from tests.collector.readers.builders import pcap as capture
from tests.collector.readers.test_pcapng import MICRO, enhanced, interface, section

_HOSTS = v4_octets("10.0.0.1") + v4_octets("198.51.100.1")
_SIX = bytes.fromhex("20010db8") + bytes(11) + b"\1"


def _times(*pairs: tuple[int, int], octets: bytes) -> bytes:
    return a_set(2, template(256, ((8, 4), (12, 4), (1, 4), *pairs))) + a_set(
        256, _HOSTS + bytes(3) + b"\x64" + octets
    )


def _elements() -> dict[str, bytes]:
    """IPFIX messages of one template each."""
    now_ms = EXPORT_S * 1000
    ntp = (EXPORT_S + 2_208_988_800) << 32
    counters = (8, 4), (12, 4), (4, 1), (7, 2), (11, 2)
    key = _HOSTS + struct.pack("!BHH", 6, 1234, 443)
    return {
        "seconds": ipfix(_times((150, 4), (151, 4), octets=struct.pack("!II", EXPORT_S - 9, EXPORT_S - 1))),
        "ntp": ipfix(_times((154, 8), (155, 8), octets=struct.pack("!QQ", ntp - (9 << 32), ntp))),
        "nano": ipfix(_times((156, 8), (157, 8), octets=struct.pack("!QQ", ntp - (9 << 32), ntp))),
        "delta": ipfix(_times((158, 4), (159, 4), octets=struct.pack("!II", 9_000_000, 1_000))),
        "uptime": ipfix(_times((22, 4), (21, 4), (160, 8), octets=struct.pack("!IIQ", 10, 900, now_ms - 1000))),
        "duration": ipfix(_times((152, 8), (161, 4), octets=struct.pack("!QI", now_ms - 5000, 900))),
        "observed": ipfix(_times((323, 8), octets=struct.pack("!Q", now_ms - 5000))),
        "biflow": ipfix(
            a_set(2, template(256, (*counters, (1, 8), (2, 8), (1, 8, 29305), (2, 8, 29305), (153, 8, 29305)))),
            a_set(256, key + struct.pack("!QQQQQ", 900, 9, 700, 7, now_ms)),
        ),
        "responder": ipfix(
            a_set(2, template(256, (*counters, (231, 8), (232, 8), (298, 4), (299, 4)))),
            a_set(256, key + struct.pack("!QQII", 900, 700, 9, 7)),
        ),
        "totals": ipfix(
            a_set(2, template(256, (*counters, (85, 4), (86, 4)))),
            a_set(256, key + struct.pack("!II", 900, 9), key + struct.pack("!II", 1900, 19)),
        ),
        "layer2": ipfix(a_set(2, template(256, (*counters, (352, 8), (2, 3)))), a_set(256, key + bytes(10) + b"\1")),
        "translation": ipfix(
            a_set(2, template(256, (*counters, (226, 4), (228, 2), (230, 1), (1, 4)))),
            a_set(256, key + v4_octets("192.168.1.5") + struct.pack("!HBI", 80, 0, 77)),
        ),
        "both-families": ipfix(
            a_set(2, template(256, ((60, 1), (8, 4), (12, 4), (27, 16), (28, 16), (1, 4)))),
            a_set(256, b"\6" + bytes(8) + _SIX * 2 + bytes(3) + b"\5", b"\4" + _HOSTS + bytes(32) + bytes(3) + b"\5"),
        ),
        "names": ipfix(
            a_set(2, template(256, (*counters, (10, 4), (14, 4), (82, 65535), (82, 65535), (96, 65535), (1, 2)))),
            a_set(256, key + struct.pack("!II", 1, 2) + b"\3lan\xff\0\3wan\4dns\0\0\x63"),
        ),
        "lists": ipfix(
            a_set(2, template(256, (*counters, (291, 65535), (292, 65535), (293, 65535), (1, 2)))),
            a_set(2, template(257, ((8, 4),))),
            a_set(256, key + b"\x09\xff\0\7\0\2\0\1\0\2" + b"\3\xff\1\1" + b"\x0b\3\1\1\0\x08\x0a\0\0\1" + bytes(3) + b"\x63"),
        ),
        "mediator": ipfix(
            a_set(2, template(256, (*counters, (403, 4), (405, 4), (1, 4)))),
            a_set(256, key + _HOSTS[:4] + bytes(8)),
        ),
    }  # fmt: skip


def _options() -> dict[str, bytes]:
    """Messages with options records, and the data they are about."""
    rate = struct.pack("!HIII", 7, 1, 9, EXPORT_S)
    sampled = (*FLOW_FIELDS, (302, 2))
    first = ipfix(
        a_set(2, template(256, sampled)),
        a_set(3, options_template(300, ((302, 2), (305, 4), (306, 4), (34, 4)))),
        a_set(300, rate),
        a_set(256, flow() + b"\0\7"),
    )
    taught = options_template(301, ((346, 4), (303, 2), (339, 1), (341, 65535)), 2)
    interfaces = options_template(302, ((10, 4), (82, 65535), (83, 65535)))
    applications = options_template(303, ((95, 4), (96, 65535)))
    selection = options_template(304, ((301, 8), (318, 8), (319, 8)))
    return {
        "sampled": first + ipfix(a_set(256, flow(2) + b"\0\7"), sequence=2),
        "taught": ipfix(a_set(3, taught), a_set(301, struct.pack("!IHB", 32473, 5, 2) + b"\5count")),
        "interfaces": ipfix(a_set(3, interfaces), a_set(302, bytes(3) + b"\2\3wan\6uplink")),
        "applications": ipfix(a_set(3, applications), a_set(303, b"\3\0\0\x50\4http")),
        "attained": ipfix(a_set(3, selection), a_set(304, struct.pack("!QQQ", 3, 1000, 10))),
        "netflow9-sampler": netflow9(
            with_template9(),
            a_set(1, options_template9(260, ((1, 4),), ((48, 1), (50, 4))), padding=2),
            a_set(260, bytes(4) + b"\1" + struct.pack("!I", 100), padding=3),
            a_set(256, flow(), flow(2), padding=2),
        )
        + netflow9(a_set(256, flow(3)), sequence=1, uptime_ms=UPTIME_MS + 1000, export_s=EXPORT_S + 1),
    }


def _streams() -> dict[str, bytes]:
    """Several messages: order, loss, withdrawal, redefinition."""
    data = [ipfix(a_set(256, flow(n), flow(n + 1)), sequence=2 * n) for n in range(5)]
    return {
        "ipfix": ipfix(with_template()) + b"".join(data),
        "template-last": data[0] + data[1] + ipfix(with_template(), sequence=4),
        "lost": ipfix(with_template()) + data[0] + data[3] + data[1] + data[1] + data[4],
        "withdrawn": ipfix(with_template()) + data[0] + ipfix(a_set(2, bytes.fromhex("01000000")), sequence=2) + data[1],
        "redefined": ipfix(with_template()) + data[0] + ipfix(a_set(2, template(256, ((1, 4), (2, 4))))) + data[1],
        "netflow5": netflow5(record5(), record5(50), sampling=0x4064) + netflow5(record5(), sequence=2),
        "mixed": ipfix(with_template()) + netflow9(with_template9()) + netflow5(record5()) + data[0],
    }  # fmt: skip


def containers() -> dict[str, bytes]:
    """Messages in every container."""
    messages = _streams()
    taught, told = ipfix(with_template()), ipfix(a_set(256, flow()))
    frames = [frame(taught), frame(told), frame(netflow9(with_template9())), frame(netflow5(record5()))]
    opening = struct.pack(">HHIIBBHHH", 4739, 4739, 5, 0, 80, 2, 0, 0, 0)
    carrying = struct.pack(">HHIIBBHHH", 4739, 4739, 6, 0, 80, 16, 0, 0, 0)
    both = udp(ipfix(with_template(), a_set(256, flow())))
    return {
        "pcap": capture(frames),
        "pcap-nanoseconds": capture(frames, nanoseconds=True, order=">"),
        "pcapng": section() + interface() + b"".join(enhanced(octets, MICRO) for octets in frames),
        "tcp": capture(
            [ETHERNET_HEADER + ipv4(opening, 6), ETHERNET_HEADER + ipv4(carrying + taught + told, 6)]
        ),
        "fragments": capture(
            [
                ETHERNET_HEADER + ipv4(both[:40], fragment=0x2000),
                ETHERNET_HEADER + ipv4(both[40:], fragment=5),
            ]
        ),
        "tagged": capture([bytes(12) + b"\x88\xa8\0\1\x81\0\0\2\x08\0" + ipv4(both)]),
        "gzip": gzip.compress(messages["ipfix"], mtime=0),
        "bzip2": bz2.compress(messages["ipfix"]),
        "zstd": zstandard.ZstdCompressor().compress(messages["ipfix"]),
    }


def seeds() -> dict[str, bytes]:
    """All starting files by name."""
    return {**_elements(), **_options(), **_streams(), **containers()}
