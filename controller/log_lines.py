"""What a log entry is: a fixed event word with fields, bounded, one line. Standard library only.

The guard logs by `Log`; everybody else by structlog, which `controller.logs` sets up to write the same lines.
"""

import json
import os
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime

# Every event word with a key that stays the same for ever (`message_id`, as journals have it), and what has happened.
# A word is never used for anything else; what no longer happens leaves the table, and its key is not used again.
EVENTS: dict[str, tuple[str, str]] = {
    "engine_ready": ("dc92050fef994825af875c9f05e70552", "The engine serves its socket."),
    "engine_stopped": ("5c8f0e9cb1f84497b2dba38f7c03b588", "The engine has ended on request."),
    "engine_failed": ("bb23f29cf7164fedb014f46be54c221d", "Part of the engine failed; it ends."),
    "book_renewed": ("6ee0da1c28ed4b3c8aefe26c06611aa5", "Guard and engine work with the book as its file has it now."),
    "book_refused": ("f1ab66880dd1432bb462dc467013256e", "The book was not taken over; the old one stays in force."),
    "ledger_doubtful": ("b953250b9ccba36cbe4234e20db03b7a", "The ledger is damaged or has lost something."),
    "damaged_ledger_deleted": (
        "e52e7862143bf339b1d6bcab8ffe8a03",
        "With the guests a ledger that was set aside as damaged is gone: it named them.",
    ),
    "books_differ": ("1f70fb555183477f8a099cd27220ba8b", "Guard and engine work with different books: reload."),
    "stricter_figures": (
        "7e2fe5dd1b7ae12a01a2c6e17f027c1f",
        "Stricter figures of earlier books hold for what is on it.",
    ),
    "worker_lost": (
        "077e300b02245a24fc89cc712ee177bd",
        "The worker process ended or hung over a question; another is started.",
    ),
    "work_failed": ("a918e21e8f5beedc239bf428e41ff3a3", "What nobody waits for could not be worked out."),
    "lan_listens": ("fe1c737c6a684ccda0dcaf99252dfdb0", "The engine listens on the local network."),
    "lan_turned_away": ("7daf9b10f22847ad8ecfbf7713fe3986", "A request from the local network was turned away."),
    "not_accepted": ("e2b88704ede6c6f95c4f011ffb493636", "The system had no descriptor for one more connection."),
    "library_said": ("c476b0bda004f144a787d06482e97bfc", "A library had something to say; its own words."),
    "request_failed": ("5973b28ee69f466bbc48e67e24baf804", "A request met an error in the engine itself."),
    "button_refused": (
        "8480b5d5144bc6dae60cc4399b6f5522",
        "The start button was pressed, and no order could be poured.",
    ),
    "guard_connected": ("737e5b6e3e514d56b710e5db1a3640ad", "The engine has a connection to the guard."),
    "guard_missing": ("e0f62a5441f943809584c7525946b3d3", "The engine finds no guard; it goes on looking."),
    "guard_closed": ("3e8f456f521746ac97a0319ab1143612", "The guard closed its connection to the engine."),
    "guard_lost": (
        "a990c5bcf8584ad6a4cd25b4d158672e",
        "Engine and guard have lost each other; the guard switches off.",
    ),
    "guard_link_failed": ("f2ea850f5c624b448c8d4d80e17861f4", "The engine gave up a connection to the guard."),
    "guard_does_not_read": ("a6242a30632d4392b6715febc8f9677b", "The guard takes nothing in; the engine hung up."),
    "guard_refused": ("b4db0e9946c443a5b8ab96d39792c6b6", "The guard refused a command that is no operation."),
    "tick_failed": ("845165e5cfbb47a382aaf20a47292583", "The engine could not do what was due, and tries again."),
    "refused": ("3fd0505e7e714579b8000e1f04628869", "The guard refused an operation."),
    "ended": ("75d5363c7410431c90b6aaaac5cc35df", "An operation is over and booked."),
    "operation_ended_apart": ("88faca78c8de4861a5d9ffcd0c09fa6a", "An operation may have ended while both were apart."),
    "operation_unknown": ("14ce78a161424e398746af69113131ac", "An operation never reached the guard, or it forgot it."),
    "operation_left_open": ("c4f3d5c989c94f11867fbd407b691347", "The engine ended before an operation had."),
    "fault": ("e6bf7f984b3c4683ac1b609d67a33e2a", "The machine is stopped by a fault and waits for a person."),
    "guard_ready": ("9c174d5b0ad14dd0b8a6fccb9da67a22", "The guard owns the pins and takes operations."),
    "scale_refused": (
        "460e87f95ffccc151ae755695f48a366",
        "A datagram at the scale's socket was another user's, or no reading.",
    ),
    "guard_stopped": ("02392bd4ff9f4fddb85e02daf45d80b5", "The guard has ended on request, every line off."),
    "not_driven_off": ("2115684517084a5c81393f6953c045fa", "A line could not be driven off at the guard's end."),
    "not_allowed": ("c7a07cb88cfc4785a270ce225a2a27bc", "The system does not grant what keeps edges on time."),
    "edge_lateness": ("700562bc30a946bc83e769a1447a1df8", "How late channels were switched in the last minutes."),
    "client_turned_away": ("c80efda18ca143b3b626f5c6beeb330e", "A connection to the guard was not accepted."),
    "client_dropped": ("7ac909c89d434fc5a70ec0d273369a27", "A client of the guard broke a rule and was disconnected."),
    "sentinel_watches": ("f459d93ad6d849658a8d80dd0dadd2af", "The sentinel is started and watches the guard."),
    "sentinel_lost": ("b23c342c4dca4232ab73b3c4cb59530e", "The sentinel is gone; nothing begins without one."),
    "sentinel_not_started": ("58a7811a7d794c9a93ee4a73309f43af", "The sentinel could not be started."),
}

EVERY_S, MOST = 60.0, 20  # what others say or do must not fill a disk: of one word so many in so long a time

# syslog(3): what the journal sorts by.
PRIORITY = {"debug": 7, "info": 6, "warning": 4, "error": 3, "critical": 2}


class Bound:
    """Lets a word pass MOST times in EVERY_S; the first one after that says how many were `left_out`."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._seen: dict[str, tuple[float, int]] = {}  # word -> since when, how often

    def __call__(self, word: str) -> int | None:
        """How many entries of this word were left out just before this one; None: leave this one out too."""
        now_s = self._now_s()
        since_s, count = self._seen.get(word, (now_s, 0))
        left_out = 0
        if now_s - since_s >= EVERY_S:
            since_s, count, left_out = now_s, 0, max(0, count - MOST)
        self._seen[word] = since_s, count + 1
        return left_out if count < MOST else None


class Log:
    """The log of a process that loads no library for it, on standard error."""

    def __init__(self, process: str) -> None:
        self._process, self._bound = process, Bound()

    def info(self, word: str, **fields: object) -> None:
        """Log what is as it should be."""
        self._write("info", word, fields)

    def warning(self, word: str, **fields: object) -> None:
        """Log what was dealt with."""
        self._write("warning", word, fields)

    def error(self, word: str, **fields: object) -> None:
        """Log what went wrong."""
        self._write("error", word, fields)

    def _write(self, level: str, word: str, fields: dict[str, object]) -> None:
        left_out = self._bound(word)
        if left_out is None:
            return
        more = fields | ({"left_out": left_out} if left_out else {})
        stamp = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        if sys.stderr.isatty():
            line = " ".join([stamp, f"[{level}]", word, *(f"{name}={value!r}" for name, value in more.items())])
        else:
            entry = {"process": self._process, **more, "event": word, "level": level, "timestamp": stamp}
            line = in_journal(level) + json.dumps(entry | message_id(word), default=str)
        with suppress(OSError):  # nobody reads any more: a process must not end by its log
            print(line, file=sys.stderr, flush=True)


def message_id(word: str) -> dict[str, str]:
    """The field by which a journal finds this word for ever."""
    known = EVENTS.get(word)
    return {} if known is None else {"message_id": known[0]}


def in_journal(level: str) -> str:
    """The level before a line as the system journal reads it (sd-daemon(3)); "" when standard error is not the journal.

    Its own stream is known by JOURNAL_STREAM (systemd.exec(5)).
    """
    stream = os.environ.get("JOURNAL_STREAM")
    if not stream:
        return ""
    standing = os.fstat(sys.stderr.fileno())
    return f"<{PRIORITY[level]}>" if stream == f"{standing.st_dev}:{standing.st_ino}" else ""
