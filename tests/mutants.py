"""Mutation testing of controller/safety: every small change of it must make some test fail.

python3 tests mutants [--limit N] [--seed S] [--only FILE ...] [--again FILE] [--jobs J] [--thorough]

Without --limit all mutants are tried (more than a thousand; about an hour on two cores), with it N of them, drawn by
the seed. Each runs the tests of safety, the guard's in virtual time and the rehearsed feedback in a copy of the tree;
the first failure kills it, or taking far too long. With --thorough what survives is also put before the random walk,
the protocol's model and the campaign, which find one mutant in a hundred more. With --again only those are tried that
survived in an earlier run whose output is in that file. Survivors are listed; those named in
tests/mutating/equivalent.txt change nothing that anybody could notice, and are left out with the reason given there.
Ends with 1 when fewer than nine of ten were killed.

An own mutator, because a fork of one loaded process tries a mutant in seconds; general tools start anew for each.
"""

import argparse
import multiprocessing
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from queue import Empty
from typing import NoReturn

from tests.mutating.changes import Mutant, mutants

ROOT = Path(__file__).resolve().parent.parent
MUTATED = Path("controller/safety")
COPIED = ("controller", "tests", "demo", "hardware_profiles", "pyproject.toml")
QUICK = (
    "tests/safety/test_safety_[!w]*.py",
    "tests/guard/test_guard_virtual.py",
    "tests/guard/test_guard_book.py",
    "tests/guard/test_guard_flows.py",
    "tests/guard/test_guard_trouble.py",
    "tests/guard/test_guard_clients.py",
    "tests/guard/test_guard_restart.py",
    "tests/rehearsal/test_virtual_feedback.py",
)
SLOW = ("tests/safety/test_safety_w*.py", "tests/safety/test_protocol_model.py", "tests/safety/test_campaign_slice.py")
# What the tests need and what does not itself load the mutated package: loaded once, before the forks.
PRELOADED = (
    "pytest", "hypothesis.stateful", "structlog", "controller.config", "controller.bench.plant",
    "controller.engine.engine", "controller.hal.gpio_board", "controller.ledger.journal", "controller.sequencing.plan",
)  # fmt: skip
TOLD = "told.txt"  # what the tests print
REACH = 0.9
PATIENCE = 6.0  # times what the unchanged tree takes, after which a mutant counts as killed
KILLED_QUICKLY, KILLED, TIMED_OUT, SURVIVED = "killed quickly", "killed", "timed out", "survived"


def find(only: list[str]) -> list[Mutant]:
    """All mutants of these files, or of the whole package."""
    paths = sorted((ROOT / MUTATED).glob("*.py"))
    chosen = [path for path in paths if not only or path.name in only]
    return [one for path in chosen for one in mutants(path.name, path.read_text())]


def equivalents() -> dict[str, str]:
    """Name -> why nobody could notice."""
    lines = (ROOT / "tests/mutating/equivalent.txt").read_text().splitlines()
    told = (line.partition(" | ") for line in lines if line and not line.startswith("#"))
    return {name.strip(): reason.strip() for name, _, reason in told}


def survived_before(output: Path | None) -> set[str] | None:
    """The names that an earlier run has printed as survivors; None without such a run."""
    if output is None:
        return None
    return {line.split(": ", 2)[2] for line in output.read_text().splitlines() if line.startswith("survived: ")}


class Copy:
    """A copy of the tree in which one process tries one mutant after the other."""

    def __init__(self, folder: Path, *, thorough: bool) -> None:
        self._folder, self._thorough = folder, thorough
        for name in COPIED:
            source, target = ROOT / name, folder / name
            if source.is_dir():
                shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__", ".hypothesis"))
            else:
                shutil.copy(source, target)
        os.chdir(folder)
        sys.dont_write_bytecode = True
        for name in [name for name in sys.modules if name.split(".")[0] == "tests"]:
            del sys.modules[name]  # the copy's tests are meant from here on
        sys.path[:0] = [str(folder)]
        os.environ["PYTHONPATH"] = str(folder)
        for name in PRELOADED:
            __import__(name)
        loaded = sorted(name for name in sys.modules if name.startswith("controller.safety"))
        if loaded or not str(sys.modules["controller"].__file__).startswith(str(folder)):
            raise RuntimeError(f"the wrong tree, or too much of it, was loaded: {loaded}")

    def attempt(self, mutant: Mutant | None, within_s: float) -> str:
        """What becomes of this mutant; None: of the unchanged tree."""
        path = self._folder / MUTATED / mutant.file if mutant else None
        original = path.read_text() if path else ""
        if path and mutant:
            path.write_text(mutant.source)
        try:
            child = os.fork()
            if child == 0:
                _be_the_child(thorough=self._thorough)
            return _watched(child, within_s)
        finally:
            if path:
                path.write_text(original)


def _be_the_child(*, thorough: bool) -> NoReturn:
    """Run the tests and end with their verdict, whatever happens."""
    verdict = 1
    try:
        verdict = _run_tests(thorough=thorough)
    finally:
        os._exit(verdict)


def _run_tests(*, thorough: bool) -> int:
    """The quick tests, then the slow ones: 0 when all hold, 1 or 2 when one of the quick or of the slow ones fails."""
    import pytest

    os.setsid()
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    told = os.open(TOLD, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(told, 1)
    os.dup2(told, 2)
    words = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--hypothesis-seed=0", "--assert=plain"]
    for code, patterns in ((1, QUICK), (2, SLOW if thorough else ())):
        paths = [str(path) for pattern in patterns for path in sorted(Path().glob(pattern))]
        if paths and pytest.main([*words, *paths]) != 0:
            return code
    return 0


def _watched(child: int, within_s: float) -> str:
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        found, status = os.waitpid(child, os.WNOHANG)
        if found:
            code = os.waitstatus_to_exitcode(status)
            return {0: SURVIVED, 1: KILLED_QUICKLY}.get(code, KILLED)
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return TIMED_OUT


def _work(
    asked: "multiprocessing.Queue[Mutant | None]",
    told: "multiprocessing.Queue[tuple[Mutant, str]]",
    thorough: bool,
) -> None:
    with tempfile.TemporaryDirectory(prefix="mutants") as folder:
        tree = Copy(Path(folder), thorough=thorough)
        began_s = time.monotonic()
        if tree.attempt(None, 600.0) != SURVIVED:
            raise RuntimeError(f"the unchanged tree fails its own tests:\n{Path(TOLD).read_text()[-4000:]}")
        within_s = PATIENCE * (time.monotonic() - began_s) + 10.0
        while (mutant := asked.get()) is not None:
            told.put((mutant, tree.attempt(mutant, within_s)))
        os.chdir("/")


def verdicts(chosen: list[Mutant], jobs: int, *, thorough: bool) -> Iterator[tuple[Mutant, str]]:
    """What becomes of each, as it comes in."""
    asked: multiprocessing.Queue[Mutant | None] = multiprocessing.Queue()
    told: multiprocessing.Queue[tuple[Mutant, str]] = multiprocessing.Queue()
    for mutant in [*chosen, *[None] * jobs]:
        asked.put(mutant)
    workers = [multiprocessing.Process(target=_work, args=(asked, told, thorough)) for _ in range(jobs)]
    for worker in workers:
        worker.start()
    left = len(chosen)
    while left:
        try:
            yield told.get(timeout=5.0)
            left -= 1
        except Empty:
            if not any(worker.is_alive() for worker in workers):
                raise RuntimeError("the workers have ended early; see above") from None
    for worker in workers:
        worker.join()


def main(argv: list[str]) -> int:
    """Try the mutants and print the score."""
    parser = argparse.ArgumentParser(prog="python3 tests mutants", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--limit", type=int)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], metavar="FILE")
    parser.add_argument("--again", type=Path, metavar="FILE")
    parser.add_argument("--thorough", action="store_true")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args(argv)
    known, again = equivalents(), survived_before(asked.again)
    everything = find(asked.only)
    chosen = [one for one in everything if one.name not in known and (again is None or one.name in again)]
    if asked.limit is not None:
        chosen = random.Random(asked.seed).sample(chosen, min(asked.limit, len(chosen)))
    if not asked.only:
        for name in sorted(known.keys() - {one.name for one in everything}):
            print(f"no such mutant any more: {name}")
    counts: dict[str, int] = {}
    survivors = []
    for number, (mutant, verdict) in enumerate(verdicts(chosen, asked.jobs, thorough=asked.thorough), 1):
        counts[verdict] = counts.get(verdict, 0) + 1
        if verdict == SURVIVED:
            survivors.append(mutant)
            print(f"survived: {MUTATED / mutant.file}:{mutant.line}: {mutant.name}", flush=True)
        if number % 50 == 0:
            print(f"{number} of {len(chosen)}: {counts}", flush=True)
    score = 1 - len(survivors) / len(chosen) if chosen else 1.0
    print(
        f"{len(chosen)} mutants of {len(everything)}, {len(known)} known to change nothing: {counts}; score {score:.1%}"
    )
    return 0 if score >= REACH else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
