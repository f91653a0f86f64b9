"""A router that translates addresses (RFC 2663) between its metering points: what each of them exports.

Of a packet that crosses a link, the outer copy has the router's own address as the inside end; the inner copy has the
host. The router numbers the place between the two as an interface of its own, unless it meters at ingress and at egress.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.scenario.carry import Carried

BETWEEN: Final = 990  # ifIndex of the place between the two metering points
LATER_MS: Final = 1  # what the second point is behind the first
FIRST_CLIENT_PORT: Final = 1024  # ports below are a server's, whose forwarding keeps them
PORTS: Final = 64_500
_SPREAD: Final = 40_503  # any odd number without a factor in common with PORTS


class Translation(Struct, frozen=True):
    """router: number of its own address. inner: the copy before translation is exported too. keep_ports: as far as it
    can, the router keeps a host's port. spared: numbers of inside addresses that are not translated.
    """

    router: int
    inner: bool = True
    keep_ports: bool = True
    spared: tuple[int, ...] = ()


def translated(
    records: NDArray[Any], carried: Carried, translation: Translation, *, both_points: bool
) -> NDArray[Any]:
    """Records (dtype RECORD, metered on the inside) as such a router exports them, in no particular order.

    Only IPv4 is translated. both_points: each packet has a record of direction 0 and one of direction 1.
    """
    wan = [index for link in carried.site.links for index in link.interfaces]
    up = np.isin(records["egress"], wan)
    inside = np.where(up, records["src"], records["dst"])
    sixth = carried.addresses[:, :12].any(axis=1) & ~(carried.addresses[:, 10:12] == 255).all(axis=1)
    crosses = (up | np.isin(records["ingress"], wan)) & ~sixth[inside]
    crosses &= ~np.isin(inside, translation.spared)
    others, inner, up = records[~crosses], records[crosses], up[crosses]
    outer = inner.copy()
    outer["src"][up], outer["dst"][~up] = translation.router, translation.router
    if not translation.keep_ports:
        for column, end, side in (("src_port", "src", up), ("dst_port", "dst", ~up)):
            port = inner[column].astype(np.int64)
            given = FIRST_CLIENT_PORT + (port * _SPREAD + inner[end].astype(np.int64) * 977) % PORTS
            outer[column] = np.where(side & (port >= FIRST_CLIENT_PORT), given, port)
    if both_points:  # what comes in is metered before its translation, what goes out after it
        behind = up == (inner["direction"] == 1)
        both = np.where(behind, outer, inner)
        return np.concatenate([others, both if translation.inner else both[behind]])
    inner["egress"][up], outer["ingress"][up] = BETWEEN, BETWEEN
    inner["ingress"][~up], outer["egress"][~up] = BETWEEN, BETWEEN
    for column in ("start", "end"):
        outer[column] += LATER_MS
    return np.concatenate([others, outer, *([inner] if translation.inner else [])])
