"""python -m tests.attacks [--only NAME] [--seconds N] [--list] [--segment DURATION] [--patience N] [--told]"""

from __future__ import annotations

import argparse
import signal
import sys
import tempfile
from pathlib import Path

from tests.attacks.bench import Terms, play
from tests.attacks.outcome import COLUMNS, MAX_RECOVERY_S, line
from tests.attacks.plans import ATTACKS


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.attacks", description=__doc__)
    parser.add_argument(
        "--only", action="append", metavar="NAME", help="this attack (may be given several times)",
        choices=[attack.name for attack in ATTACKS],
    )  # fmt: skip
    parser.add_argument(
        "--seconds", type=float, metavar="N", help="how long each takes (default: its own time)"
    )
    parser.add_argument("--list", action="store_true", help="name the attacks and what they are")
    parser.add_argument("--segment", default="1s", metavar="DURATION", help="of the spool (default 1s)")
    parser.add_argument(
        "--patience", type=float, default=MAX_RECOVERY_S, metavar="N",
        help=f"seconds that records may be on their way to the store (default {MAX_RECOVERY_S:.0f})",
    )  # fmt: skip
    parser.add_argument("--told", action="store_true", help="print what the collector said, and its counters")
    given = parser.parse_args()
    chosen = [attack for attack in ATTACKS if not given.only or attack.name in given.only]
    if given.list:
        print("\n".join(f"{attack.name:24}{attack.what}" for attack in chosen))
        return 0
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # no collector is left behind
    print(line(COLUMNS), flush=True)
    faulty = 0
    for attack in chosen:
        terms = Terms(given.seconds or attack.seconds, given.segment, given.patience)
        with tempfile.TemporaryDirectory() as folder:
            outcome = play(attack, Path(folder), terms)
        print(line(outcome.row()))
        faults = outcome.faults()
        faulty += bool(faults)
        print("".join(f"    {fault}\n" for fault in faults), end="", flush=True)
        if given.told:
            print(outcome.told)
    print(f"{len(chosen)} attacks, {len(chosen) - faulty} without a fault")
    return 1 if faulty else 0


if __name__ == "__main__":
    raise SystemExit(main())
