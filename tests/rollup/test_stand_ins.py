"""Of a large site few conversations stand in by name, and the octets of all."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from flowdiag.addresses import to_bytes
from flowdiag.rollup.shape import CONVERSATIONS
from flowdiag.rollup.stand_ins import MOST_OF_AN_HOUR, OWN, fewer

LAN, FIBRE, LTE = 1, 2, 3
HOST = to_bytes("192.168.40.20")


def conversations(count: int, hours: int = 2) -> pa.Table:
    """So many over the fibre in each hour, the last ones the largest; and one ping over the backup."""
    rows = []
    for hour in range(hours):
        for number in range(count + 1):
            ping = number == count
            rows.append(
                dict.fromkeys(CONVERSATIONS.names)
                | {
                    "hour": hour, "src_address": HOST, "dst_address": to_bytes(f"203.0.113.{number % 250}"),
                    "dst_port": 8 << 8 if ping else 443, "protocol": 1 if ping else 6,
                    "octets": 84 if ping else 1000 + number, "packets": 1 if ping else 3, "flows": 1,
                    "ingress_interface": LAN, "egress_interface": LTE if ping else FIBRE, "domain": 1, "sampling": 1,
                    "start": hour * 3_600_000 + number, "end": hour * 3_600_000 + 10_000 + number,
                    "padding_46": 0, "padding_38": 0, "folded": False,
                }
            )  # fmt: skip
    columns = {
        field.name: pa.array([row[field.name] for row in rows], pa.int64()).cast(field.type)
        if field.name in ("start", "end")
        else pa.array([row[field.name] for row in rows], field.type)
        for field in CONVERSATIONS
    }
    return pa.table(columns, schema=CONVERSATIONS)


def test_few_stand_in_as_they_are() -> None:
    table = conversations(100)
    assert fewer(table) is table


def test_of_many_the_largest_of_each_hour_keep_their_names_and_all_octets_stay() -> None:
    table = conversations(1000)
    found = fewer(table)
    assert found.num_rows < table.num_rows / 4
    for name in ("octets", "packets", "flows"):
        for hour in (0, 1):
            here, there = (np.array(one[name])[np.array(one["hour"]) == hour].sum() for one in (table, found))
            assert here == there
    named = found.filter(pa.compute.invert(found["folded"])).to_pylist()
    of_fibre = [row for row in named if row["egress_interface"] == FIBRE and row["hour"] == 0]
    assert MOST_OF_AN_HOUR <= len(of_fibre) <= MOST_OF_AN_HOUR + OWN
    assert min(row["octets"] for row in of_fibre) == 1000 + 1000 - len(of_fibre)
    assert [row["octets"] for row in named if row["egress_interface"] == LTE] == [84, 84]
    together = [row for row in found.to_pylist() if row["folded"]]
    assert len(together) == 2
    assert {row["src_address"] for row in together} == {None}
    assert together[0]["start"].timestamp() == 0
