"""How long the ledger's questions take with very many servings, and what one serving writes.

python3 tests benchmarks ledger [--servings N] [--folder DIR]
"""

import argparse
import sys
import tempfile
from pathlib import Path

from controller.ledger.records import Intent
from controller.model.messages import Delivery
from controller.model.requests import HistoryQuery, PastQuery, UsageQuery
from controller.model.states import OperationKind, Outcome
from tests.ledger.full_ledger import LIQUIDS, fill, milliseconds
from tests.ledger.ledger_parts import all_of

LIMIT_MS = 100.0


def questions(ledger, known):
    at_s = known[len(known) // 2][4]

    def page(wanted):
        return all_of(ledger.past.page(wanted))

    return {
        "latest 50": lambda: page(HistoryQuery()),
        "latest 1000": lambda: page(HistoryQuery(limit=1000)),
        "1000 from the middle": lambda: page(HistoryQuery(until_wall_s=at_s, limit=1000)),
        "one recipe": lambda: page(HistoryQuery(recipe="Hedgerow Cup")),
        "rinses": lambda: page(HistoryQuery(kind=OperationKind.RINSE)),
        "stopped": lambda: page(HistoryQuery(outcome="stopped")),
        "refused, 1000": lambda: page(HistoryQuery(outcome="refused", limit=1000)),
        "one line": lambda: page(HistoryQuery(line=3)),
        "one line and recipe, 1000": lambda: page(HistoryQuery(line=3, recipe="Hedgerow Cup", limit=1000)),
        "one line, stopped, 1000": lambda: page(HistoryQuery(line=3, outcome="stopped", limit=1000)),
        "usage of all evenings": lambda: all_of(ledger.past.usage(UsageQuery())),
        "usage of one liquid": lambda: all_of(ledger.past.usage(UsageQuery(liquid="soda"))),
        "refusals by rule": lambda: list(ledger.past.refusals(PastQuery())),
        "throughput of a line": lambda: ledger.past.throughput(3, 0.0),
        "hygiene record": lambda: all_of(ledger.notes.wet_runs(0.0, 1e12)),
        "one operation": lambda: ledger.entry(known[77][0]),
    }


def written_kib(ledger, path, count=50):
    """KiB that one serving adds to the write-ahead log: its intent, and its end with three deliveries."""
    log = Path(f"{path}-wal")
    total = 0
    for number in range(count):
        before = log.stat().st_size
        ledger.begin(
            Intent(
                operation=f"new{number}", kind=OperationKind.SERVE, asked_wall_s=2e9 + number, recipe="Hedgerow Cup",
                key=f"key {number}", request='{"recipe":"Hedgerow Cup"}',
            )
        )  # fmt: skip
        deliveries = [
            Delivery(line=line, liquid=LIQUIDS[line - 1], asked_ml=30, delivered_ml=30, worst_ml=31, on_s=6)
            for line in (1, 2, 6)
        ]
        ledger.end(f"new{number}", Outcome.DONE, "", deliveries, wall_s=2e9 + number + 1)
        total += max(0, log.stat().st_size - before)  # after a checkpoint the log is written from its start
    return total / 1024 / count


def main() -> int:
    parser = argparse.ArgumentParser(prog="python3 tests benchmarks ledger", description=__doc__)
    parser.add_argument("--servings", type=int, default=100_000)
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))
    words = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="tundish-ledger-", dir=words.folder) as name:
        path = Path(name) / "ledger.db"
        ledger, known = fill(path, words.servings)
        print(f"{words.servings} operations in {path.stat().st_size / 1e6:.0f} MB\n")
        slowest = 0.0
        for what, question in questions(ledger, known).items():
            taken = milliseconds(question)
            slowest = max(slowest, taken)
            print(f"{what:28} {taken:8.2f} ms")
        ledger.all("PRAGMA wal_checkpoint(TRUNCATE)")
        ledger.all("PRAGMA wal_autocheckpoint = 0")
        print(f"\nwritten to the log for one serving of three doses: {written_kib(ledger, path):.1f} KiB")
        ledger.close()
    print(f"slowest: {slowest:.1f} ms, limit {LIMIT_MS:.0f} ms")
    return 0 if slowest <= LIMIT_MS else 1


if __name__ == "__main__":
    sys.exit(main())
