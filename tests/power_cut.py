"""What a power cut leaves on the card, and what the machine makes of it.

python3 tests power-cut [--seed S] [--runs N] [--images N]

A whole machine (guard, engine, bench in virtual time) lives through an evening under strace, with its journal and its
ledger in a folder, on a scale: people pour, stop, lift the glass, change containers, calibrate, press the stop button.
From the recorded writes and syncs come images of that folder as a cut would leave them: at every sync, just before and
just after it, and at N random places; with what was not yet synced lost, kept, or torn sector by sector. A machine is
started on each image, with a clock that is right, late, or wrong by a month. Then: nothing that was told is lost; of
what was under way no less is booked than flowed and no more than could have; lines that were in motion hold something
unknown; no pump moves by itself; a drink asked for again with its key is not poured twice.

Of every image on which nothing was lost, one file is then damaged: a bit flipped, a cut, a deletion. A machine is
started on that too: it must be as if nothing had happened, or say what is damaged, with nothing certain any more.
"""

import argparse
import logging
import random
import shutil
import sys
import tempfile
from pathlib import Path

import structlog

from tests.power_cuts.card import Op, cuts, damaged, recorded
from tests.power_cuts.evening import act
from tests.power_cuts.examine import examine, examine_damaged, known

ACTIONS = 12


def places(ops: list[Op], images: int, rng: random.Random, *, every_sync: bool) -> frozenset[int]:
    """Before and after every sync, at so many random places, and at the end."""
    syncs = [at for at, op in enumerate(ops) if op.kind == "sync" and every_sync]
    return frozenset([*syncs, *(at + 1 for at in syncs), *(rng.randrange(len(ops)) for _ in range(images)), len(ops)])


def run(
    *, images: int, seed: int, every_sync: bool = True, actions: int = ACTIONS, card_lies: bool = False
) -> tuple[int, list[str]]:
    """How many images of one evening were examined, and every complaint.

    card_lies: no sync reaches the card, as if the program had made none. That must show.
    """
    rng = random.Random(seed)
    complaints, count = [], 0
    with tempfile.TemporaryDirectory(prefix="tundish-power-cut-") as name:
        acted = Path(name) / "acted"
        acted.mkdir()
        evening: list[str | Path] = [
            sys.executable,
            "-m",
            "tests.power_cut",
            "--act",
            acted,
            "--seed",
            str(seed),
            "--actions",
            str(actions),
        ]
        ops = [op for op in recorded(evening, acted) if op.kind != "sync" or not card_lies]
        for cut in cuts(ops, places(ops, images, rng, every_sync=every_sync)):
            for how in ("lost", "kept", "torn"):
                count += 1
                found = examine(cut.image(how, rng), known(cut.marks), Path(name) / "image", rng)
                place = f"seed {seed}, cut before operation {cut.at} of {len(ops)}, unsynced {how}"
                complaints += [f"{place}: {one}" for one in found]
                if how == "kept" and not card_lies:
                    count += 1
                    what, image = damaged(cut.image(how, rng), rng)
                    found = examine_damaged(image, known(cut.marks), Path(name) / "image", rng)
                    complaints += [f"{place}, {what}: {one}" for one in found]
    return count, complaints


def main() -> int:
    parser = argparse.ArgumentParser(prog="python3 tests power-cut", description=__doc__)
    parser.add_argument("--seed", type=int, default=1, help="of the first evening")
    parser.add_argument("--runs", type=int, default=3, help="evenings")
    parser.add_argument("--images", type=int, default=100, help="cuts at random places, beside those at every sync")
    parser.add_argument("--actions", type=int, default=ACTIONS, help="of people in one evening")
    parser.add_argument("--act", type=Path, help=argparse.SUPPRESS)
    words = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    if words.act is not None:
        act(words.act, words.seed, words.actions)
        return 0
    if shutil.which("strace") is None:
        print("skipped: strace is not installed, and without it no write is seen")
        return 0
    count, complaints = 0, list[str]()
    for seed in range(words.seed, words.seed + words.runs):
        examined, found = run(images=words.images, seed=seed, actions=words.actions)
        count, complaints = count + examined, [*complaints, *found]
        print(f"seed {seed}: {examined} images of the folder examined, {len(found)} complaints", flush=True)
    print(*complaints, sep="\n")
    print(f"{count} images examined, {len(complaints)} complaints")
    return 1 if complaints else 0


if __name__ == "__main__":
    sys.exit(main())
