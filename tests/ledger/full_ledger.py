"""A ledger with very many servings, put there in bulk: three doses each, now and then another kind or another end."""

import random
import time
from typing import Any

from controller.ledger.history import span_of
from controller.ledger.records import evening_of
from controller.ledger.store import Ledger

RECIPES = ("Orchard Fizz", "Blackcurrant Spritz", "Ginger Cooler", "Hedgerow Cup", "Windfall Punch", "Marquee Tea")
LIQUIDS = ("apple juice", "blackcurrant cordial", "ginger syrup", "lime cordial", "cold tea", "soda")
RULES = ("readiness", "serving_volume", "glass", "hour_ethanol")
FIRST_S, BETWEEN_S = 1_700_000_000.0, 120.0
AN_EVENING = 240  # servings


def fill(path, count, seed=3):
    """A ledger with so many operations in its file; the (operation, kind, outcome, recipe, wall_s, lines) of each."""
    rng = random.Random(seed)
    operations, deliveries, refusals, known = [], [], [], []
    usage: dict[tuple[Any, ...], list[Any]] = {}
    through: dict[tuple[Any, ...], list[Any]] = {}
    at_s = FIRST_S
    for seq in range(1, count + 1):
        at_s += BETWEEN_S if seq % AN_EVENING else 86_400.0
        kind = "rinse" if seq % 97 == 0 else "serve"
        outcome = "refused" if seq % 50 == 0 else "stopped" if seq % 61 == 0 else "done"
        recipe = rng.choice(RECIPES) if kind == "serve" else None
        name, evening = f"{rng.getrandbits(48):012x}", evening_of(at_s)
        operations.append((name, f"{seq:032x}", kind, recipe, 1.0, at_s, at_s + 20.0, outcome, evening))
        lines = () if outcome == "refused" else tuple(sorted(rng.sample(range(1, 7), 3)))
        known.append((name, kind, outcome, recipe, at_s, lines))
        for line in lines:
            deliveries.append((at_s, seq, line, LIQUIDS[line - 1], 30.0, 30.3, 31.0, 6.0))
            key = (evening, kind == "serve" and outcome == "done", recipe or "", LIQUIDS[line - 1], line)
            row = usage.setdefault(key, [0, 0.0, 0.0])
            row[0], row[1], row[2] = row[0] + 1, row[1] + 30.0, row[2] + 30.3
            total = through.setdefault((line, span_of(at_s)), [0.0, 0.0])
            total[0], total[1] = total[0] + 30.3, total[1] + 6.0
        if outcome == "refused":
            refusals.append((seq, rng.choice(RULES), "no", "", "", "", evening))
    ledger = Ledger(path)
    with ledger.transaction() as db:
        columns = "operation, key, kind, recipe, times, asked_wall_s, ended_wall_s, outcome, evening"
        db.executemany(f"INSERT INTO operation ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", operations)
        columns = "asked_wall_s, seq, line, liquid, asked_ml, delivered_ml, worst_ml, on_s"
        db.executemany(f"INSERT INTO delivery ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", deliveries)
        db.executemany("INSERT INTO refusal VALUES (?, ?, ?, ?, ?, ?, ?)", refusals)
        rows = [(*key, *row) for key, row in usage.items()]
        db.executemany("INSERT INTO usage VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)
        totals = [(*key, *row) for key, row in through.items()]
        db.executemany("INSERT INTO throughput VALUES (?, ?, ?, ?)", totals)
    return ledger, known


def milliseconds(question):
    """How long an answer takes: the best of three."""
    taken = []
    for _ in range(3):
        began_s = time.perf_counter()
        question()
        taken.append(1000.0 * (time.perf_counter() - began_s))
    return min(taken)
