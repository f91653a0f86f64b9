"""What the links really carried: the wants of a ledger, limited step by step by what each link could take.

Steady traffic goes first (it does not slow down when the line is full), scaled down only where it alone is
too much. Transfers share what is left, max-min fair by IP octets (a fair-queueing idealisation of TCP, common
practice, no source), each within its own cap; a transfer also needs room for its acknowledgements the other
way. So a full link carries what the network says it can, and never more.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.scenario.ledger import BULK_DOWN, BULK_UP, BY_ROUTE, STEADY, Ledger
from flowdiag.scenario.network import Network
from flowdiag.scenario.site import LEAST_OCTETS, OVERHEAD_OCTETS, Site
from flowdiag.scenario.transfers import CHUNK, carry_transfers

PIECE: Final = np.dtype([("conversation", "i8"), ("link", "i1"), ("start", "f8"), ("end", "f8")])


class Carried(Struct, frozen=True, eq=False):
    """What got through. Times are ms since 1970 UTC, octets are IP octets unless named wire.

    pieces: steady conversations cut where the route changed (dtype PIECE); their octets follow `share`.
    chunks: what transfers and trains moved, step by step or packet by packet (dtype CHUNK).
    share: the part of the steady wish that got through, [link, direction, step]; wire: wire octets, same
    shape.
    """

    site: Site
    network: Network
    conversations: NDArray[Any]
    addresses: NDArray[np.uint8]
    pieces: NDArray[Any]
    chunks: NDArray[Any]
    share: NDArray[np.float64]
    wire: NDArray[np.float64]

    def steady_octets(
        self, rows: NDArray[Any], direction: int, from_ms: NDArray[np.float64], to_ms: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Octets of pieces (dtype PIECE, shape [n]) in one direction between from_ms and to_ms (shape [n] each)."""
        wish = self.conversations[rows["conversation"]]
        octets = wish["up_octets"] if direction else wish["down_octets"]
        rate = octets / (wish["end"] - wish["start"])
        begin = np.clip(from_ms, rows["start"], rows["end"])
        finish = np.clip(to_ms, begin, rows["end"])
        time = finish - begin
        for link in range(len(self.site.links)):
            on_link = rows["link"] == link
            if on_link.any():
                edges, integral = self.network.cumulative(self.share[link, direction])
                time[on_link] = np.interp(finish[on_link], edges, integral) - np.interp(
                    begin[on_link], edges, integral
                )
        carried: NDArray[np.float64] = rate * time
        return carried


def wire_octets(
    octets: NDArray[np.float64], packets: NDArray[np.float64], site: Site, link: int
) -> NDArray[np.float64]:
    """Octets that packets of this mean size take on the link, framing and padding included. Shapes [n] each."""
    framing = site.links[link].framing
    mean = np.divide(octets, packets, out=np.zeros_like(octets), where=packets > 0)
    wire: NDArray[np.float64] = packets * (np.maximum(mean, LEAST_OCTETS[framing]) + OVERHEAD_OCTETS[framing])
    return wire


def carry(ledger: Ledger, site: Site, network: Network) -> Carried:
    """Runs the links over the whole time of the network."""
    conversations = ledger.conversations()
    pieces = _route_steady(conversations, network)
    load = _steady_load(conversations, pieces, site, network)
    share = np.minimum(1.0, np.divide(network.capacity, load, out=np.ones_like(load), where=load > 0))
    wire = load * share
    numbers = np.flatnonzero((conversations["kind"] == BULK_DOWN) | (conversations["kind"] == BULK_UP))
    transferred = carry_transfers(conversations, numbers, site, network, wire)
    trains = _trains(ledger.packets(), conversations, network)
    chunks = np.concatenate([transferred, trains])
    addresses = ledger.address_table()
    _add_train_load(trains, site, network, wire)
    return Carried(site, network, conversations, addresses, pieces, chunks, share, wire)


def _route_steady(conversations: NDArray[Any], network: Network) -> NDArray[Any]:
    """Steady conversations cut at route changes; what finds no link is dropped."""
    rows = np.flatnonzero(
        (conversations["kind"] == STEADY)
        & (conversations["end"] > network.start_ms)
        & (conversations["start"] < network.end_ms)
    )
    pieces = np.zeros(len(rows), PIECE)
    pieces["conversation"] = rows
    pieces["link"] = conversations["link"][rows]
    pieces["start"] = np.maximum(conversations["start"][rows], network.start_ms)
    pieces["end"] = np.minimum(conversations["end"][rows], network.end_ms)
    if network.keeps_on_failback:
        step = np.minimum((pieces["start"] - network.start_ms) // network.step_ms, network.steps - 1).astype(
            int
        )
        began_on = network.route[step]
        stays = (pieces["link"] == BY_ROUTE) & (began_on > 0)
        pieces["link"][stays] = began_on[stays]
    settled = pieces["link"] != BY_ROUTE
    done, open_pieces = [pieces[settled]], pieces[~settled]
    for from_ms, to_ms, link in network.segments():
        if link < 0:
            continue
        part = open_pieces[(open_pieces["start"] < to_ms) & (open_pieces["end"] > from_ms)]
        part["link"] = link
        part["start"] = np.maximum(part["start"], from_ms)
        part["end"] = np.minimum(part["end"], to_ms)
        done.append(part)
    return np.concatenate(done)


def _steady_load(
    conversations: NDArray[Any], pieces: NDArray[Any], site: Site, network: Network
) -> NDArray[np.float64]:
    """Wire octets per step that the pieces wish for, [link, direction, step]."""
    load = np.zeros(network.capacity.shape)
    wish = conversations[pieces["conversation"]]
    duration = wish["end"] - wish["start"]
    for link in range(len(site.links)):
        on_link = pieces["link"] == link
        begin = (pieces["start"][on_link] - network.start_ms) / network.step_ms
        finish = (pieces["end"][on_link] - network.start_ms) / network.step_ms
        for direction, name in enumerate(("down", "up")):
            total = wire_octets(wish[f"{name}_octets"][on_link], wish[f"{name}_packets"][on_link], site, link)
            per_step = total / duration[on_link] * network.step_ms
            load[link, direction] = _spread(begin, finish, per_step, network.steps)
    return load


def _spread(
    begin: NDArray[np.float64], finish: NDArray[np.float64], rate: NDArray[np.float64], steps: int
) -> NDArray[np.float64]:
    """Adds constant rates between begin and finish (in steps) up per step, exactly, by differences of the integral."""
    edges = np.arange(steps + 1)

    def ramp(times: NDArray[np.float64]) -> NDArray[np.float64]:
        # The integral of all rates that have set in by an edge: sum over t of rate * (edge - t).
        first = np.minimum(np.ceil(times).astype(np.int64), steps + 1)
        height = np.cumsum(np.bincount(first, rate, steps + 2)[: steps + 1])
        moment = np.cumsum(np.bincount(first, rate * times, steps + 2)[: steps + 1])
        return np.asarray(edges * height - moment, np.float64)

    return np.maximum(np.diff(ramp(begin) - ramp(finish)), 0)


def _trains(packets: NDArray[Any], conversations: NDArray[Any], network: Network) -> NDArray[Any]:
    """Packets of trains as chunks; what finds its link down is dropped."""
    inside = (packets["time"] >= network.start_ms) & (packets["time"] < network.end_ms)
    packets = packets[inside]
    step = ((packets["time"] - network.start_ms) // network.step_ms).astype(int)
    link = conversations["link"][packets["conversation"]].astype(np.int64)
    link = np.where(link == BY_ROUTE, network.route[step], link)
    up = link >= 0
    works = up & (network.capacity[np.maximum(link, 0), packets["direction"], step] > 0)
    packets, link = packets[works], link[works]
    chunks = np.zeros(len(packets), CHUNK)
    chunks["conversation"], chunks["link"] = packets["conversation"], link
    chunks["start"] = chunks["end"] = packets["time"]
    for direction, name in enumerate(("down", "up")):
        chosen = packets["direction"] == direction
        chunks[f"{name}_octets"][chosen] = packets["octets"][chosen]
        chunks[f"{name}_packets"][chosen] = 1
    return chunks


def _add_train_load(trains: NDArray[Any], site: Site, network: Network, wire: NDArray[np.float64]) -> None:
    """Adds the trains' wire octets in place. They are a few packets a minute: no capacity is reserved for them."""
    step = ((trains["start"] - network.start_ms) // network.step_ms).astype(int)
    for link in range(len(site.links)):
        for direction, name in enumerate(("down", "up")):
            chosen = (trains["link"] == link) & (trains[f"{name}_packets"] > 0)
            taken = wire_octets(
                trains[f"{name}_octets"][chosen], trains[f"{name}_packets"][chosen], site, link
            )
            wire[link, direction] += np.bincount(step[chosen], taken, network.steps)
