"""How often a watch that is killed tells something again, and how soon a dead one is taken over.

    python -m tests.benchmarks.watch_killed [--kills 1000]

Rounds of eight invented sites are killed at random instants. Where something is lost, or repeated by another name, this ends
with an error; printed is how often something was told again. Then one of two watches is killed, as on the same host and as on
another one.
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from pathlib import Path

from flowdiag.watch.part import PARTS
from tests.watch.killable import Stable, stable
from tests.watch.test_exactly_once import Receiver, Scene, going, kill_rounds, make_scene


def scene(watches: Stable, receiver: Receiver, folder: Path, cycles: int) -> Scene:
    folder.mkdir()
    receiver.received.clear()
    return make_scene(watches, folder, str(folder / "flows"), cycles, receiver)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    kills = parser.parse_args().kills
    with tempfile.TemporaryDirectory() as place, stable() as watches, Receiver() as receiver:
        threading.Thread(target=receiver.serve_forever, daemon=True).start()
        killed = scene(watches, receiver, Path(place) / "killed", max(kills // 30, 1))
        begun_s = time.monotonic()
        again = kill_rounds(killed, kills)
        print(f"{kills} kills in {time.monotonic() - begun_s:.0f} s: {again} told again by the same name")
        for elsewhere in (False, True):
            shared = scene(watches, receiver, Path(place) / f"shared-{elsewhere}", 1)
            with going(shared, elsewhere=elsewhere) as both:
                first, _ = both.start(), both.start()
                both.until_shared(PARTS // 2, PARTS // 2)
                both.kill(first)
                took_s = both.until_shared(PARTS)
            print(
                f"taken over after {took_s:.1f} s, {'on another host' if elsewhere else 'on the same host'}"
            )
        receiver.shutdown()


if __name__ == "__main__":
    main()
