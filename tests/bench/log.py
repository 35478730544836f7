"""The event log at size: 100,000 entries written, verified and searched, against plain yardsticks.

Verifying is measured against hashing the same bytes one after the other without a database (what
the chain needs at the least); searching against reading every text and looking into it, on the
same file. Prints one JSON line. The promises: verified in less than 5 s, each search in less than
0.2 s.

    python tests/bench/log.py [--entries 100000] [--rounds 3]
"""

import argparse
import hashlib
import json
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from condmon.engine.outputs import Entry
from condmon.ledger.verify import verify
from condmon.store.entries import EntryReader, Wanted
from condmon.store.journal import Journal

START_US = 1_795_572_845_000_000
VERIFY_S_MAX, SEARCH_S_MAX = 5.0, 0.2
KINDS = ("duty", "alert", "action", "sensor", "service")
TEXT = (
    "coolant bearing spindle oil air door hydraulic pressure warm cold slow returned acknowledged "
    "sensor silent axis load chiller compressor hose fitting exchanged looked at cleaned measured "
    "upper lower probe offset moved reading put aside raised ended after minutes"
)
WORDS = TEXT.split()
SEARCHES = (
    ("a word of many", Wanted(words="coolant")),
    ("a word of none", Wanted(words="telescope")),
    ("three words", Wanted(words="hydrau hose exch")),
    ("a rare number", Wanted(words="77777")),
    ("a word of many on a machine of none", Wanted("mill-9", words="bearing")),
    ("a name and a kind", Wanted(kind="service", words="ben probe")),
    ("a sign", Wanted(words="+++")),
    ("a day", Wanted(from_us=START_US + 10**9, to_us=START_US + 2 * 10**9)),
)


def fill(folder: Path, count: int) -> float:
    """Write entries a thousand a turn; the seconds it took."""
    chance = random.Random(5)
    journal = Journal(folder)
    began_s = time.perf_counter()
    for first in range(0, count, 1000):
        turn = [
            Entry(f"e{n}", START_US + n * 1_000_000, f"mill-{1 + n % 2}", chance.choice(KINDS),
                  " ".join([*chance.choices(WORDS, k=9), str(n)]),
                  {"by": "ben", "alert": f"{n:016x}"})
            for n in range(first, min(count, first + 1000))
        ]  # fmt: skip
        journal.write(turn, first, (), START_US)
    took_s = time.perf_counter() - began_s
    journal.close()
    return took_s


def measured(do: Callable[[], object], rounds: int) -> float:
    """Median of several runs."""
    times = []
    for _ in range(rounds):
        began_s = time.perf_counter()
        do()
        times.append(time.perf_counter() - began_s)
    return statistics.median(times)


def hashing(path: Path) -> Callable[[], bytes]:
    """Hash what the chain hashes, out of memory."""
    with sqlite3.connect(path) as db:
        rows = [
            "".join(map(str, row)).encode()
            for row in db.execute("SELECT seq, id, at_us, machine, kind, text, facts FROM entry")
        ]
    db.close()

    def run() -> bytes:
        at = bytes(32)
        for row in rows:
            at = hashlib.sha256(at + row).digest()
        return at

    return run


def looking(path: Path) -> Callable[[], int]:
    """Read every text and look for a word in it."""

    def run() -> int:
        with sqlite3.connect(path) as db:
            found = sum("coolant" in text for (text,) in db.execute("SELECT text FROM entry"))
        db.close()
        return found

    return run


def main() -> int:
    """Measure and print; exit code 1 where a promise is not held."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--entries", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "journal.db"
        write_s = fill(folder, args.entries)
        assert verify(path).whole
        verify_s = measured(lambda: verify(path), args.rounds)
        hash_s = measured(hashing(path), args.rounds)
        look_s = measured(looking(path), args.rounds)
        searches: dict[str, float] = {}
        with EntryReader(folder) as reader:
            for words, wanted in SEARCHES:
                searches[words] = measured(lambda w=wanted: reader.find(w, 50), args.rounds)
        size = path.stat().st_size
    slowest_s = max(searches.values())
    print(
        json.dumps(
            {
                "bench": "log", "entries": args.entries,
                "bytes_an_entry": round(size / args.entries),
                "written_a_second": round(args.entries / write_s),
                "verify_s": round(verify_s, 3), "yardstick_hash_s": round(hash_s, 3),
                "ratio": round(verify_s / hash_s, 2),
                "search_s": {words: round(s, 4) for words, s in searches.items()},
                "search_slowest_s": round(slowest_s, 4), "yardstick_look_s": round(look_s, 4),
                "search_ratio": round(slowest_s / look_s, 2),
                "held": verify_s < VERIFY_S_MAX and slowest_s < SEARCH_S_MAX,
            }
        )
    )  # fmt: skip
    return 0 if verify_s < VERIFY_S_MAX and slowest_s < SEARCH_S_MAX else 1


if __name__ == "__main__":
    sys.exit(main())
