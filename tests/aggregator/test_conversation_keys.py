"""Keys of conversations: different wherever an address, a port or the protocol is, unknown ones included."""

from __future__ import annotations

from itertools import product

import numpy as np

from flowdiag.aggregator.conversation_keys import conversation_key, mixed

ADDRESSES, PORTS, PROTOCOLS = (0, 1, 1_999_999), (-1, 0, 1, 65_535), (-1, 0, 1, 6, 255)


def test_conversations_that_differ_in_anything_have_different_keys() -> None:
    rows = list(product(ADDRESSES, ADDRESSES, PORTS, PORTS, PROTOCOLS))
    one, other, port, other_port, protocol = (np.array(column) for column in zip(*rows, strict=True))
    keys = conversation_key(
        one.astype(np.int32), other.astype(np.int32), port.astype(np.int32), other_port.astype(np.int32),
        protocol.astype(np.int16),
    )  # fmt: skip
    assert len(np.unique(keys)) == len(rows) == 3 * 3 * 4 * 4 * 5


def test_a_hash_is_of_all_columns_in_their_order() -> None:
    one, other = np.array([0, 1, 0, 1, 2]), np.array([0, 0, 1, 1, 2])
    assert len(np.unique(mixed(one, other))) == 5
    assert len(np.unique(mixed(one))) == 3
    assert mixed(one, other)[1] != mixed(one, other)[2]  # (1, 0) and (0, 1)
    assert mixed(one)[0] != mixed(one, one)[0]
    assert mixed(one[:0]).tolist() == []
