"""What may go wrong, and when: drawn beforehand, so that a seed tells all."""

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from controller.model.profile import Profile
from tests.campaigns.bottles import EDITS

LONGEST_S = 40.0  # troubles begin within this time
FEW, MOST = 0, 6


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """One thing that goes wrong at at_s (s after the start), for lasts_s where it ends by itself."""

    what: str
    at_s: float
    lasts_s: float = 0.0
    line: int = 0
    contact: str = ""
    choice: str = ""
    amount: float = 0.0


# kind -> how often, in parts
KINDS: dict[str, int] = {
    "engine killed": 6,
    "engine killed in sending": 3,
    "engine frozen": 6,
    "guard killed": 6,
    "guard killed in writing": 6,
    "guard killed in switching": 5,
    "guard frozen": 5,
    "sentinel killed": 3,
    "sentinel frozen": 2,
    "sentinel and guard killed": 2,
    "guard and engine killed": 3,
    "power cut": 4,
    "connection broken": 6,
    "disk full": 6,
    "disk slow": 3,
    "journal unreadable": 1,
    "guard's folder damaged": 5,
    "wall clock set": 5,
    "relay stuck on": 2,
    "relay stuck off": 2,
    "relay slow": 2,
    "pump stalled": 2,
    "tube off": 1,
    "main relay stuck": 2,
    "input stuck": 5,
    "input flapping": 5,
    "glass lifted": 8,
    "stop pressed": 5,
    "container empty": 4,
    "tray full": 2,
    "board deaf": 3,
    "board unreadable": 3,
    "stop asked": 4,
    "second order": 4,
    "same order again": 3,
    "old plan again": 3,
    "stranger speaks": 4,
    "engine in doubt": 7,
    "another liquid": 3,
    "book edited": 4,
}

FOLDER = "guard's folder damaged"
Detail = Callable[[Profile, Random], dict[str, object]]


def _line(profile: Profile, rng: Random) -> dict[str, object]:
    return {"line": rng.choice(profile.lines).line}


def _contact(profile: Profile, rng: Random) -> dict[str, object]:
    names = [row.name for row in profile.input_table]
    return {"contact": rng.choice(names), "choice": rng.choice(("closed", "open"))}


def _crash(_profile: Profile, rng: Random) -> dict[str, object]:
    return {"choice": rng.choice(("before", "after", "torn"))}


DETAILS: dict[str, Detail] = {
    **dict.fromkeys(
        ("relay stuck on", "relay stuck off", "pump stalled", "tube off", "container empty", "board deaf"), _line
    ),
    **dict.fromkeys(("input stuck", "input flapping"), _contact),
    "another liquid": _line,
    "book edited": lambda _, rng: {"choice": rng.choice(EDITS)},
    "main relay stuck": lambda _, rng: {"choice": rng.choice(("on", "off"))},
    "guard killed in writing": _crash,
    "guard's folder damaged": lambda _, rng: {"choice": rng.choice(("flipped", "flipped", "cut", "deleted", "older"))},
    # Now and then the sentinel goes with it.
    "guard killed in switching": lambda _, rng: {
        "amount": rng.randint(1, 6),
        "choice": rng.choice(("alone", "with sentinel")),
    },
    "relay slow": lambda profile, rng: {**_line(profile, rng), "amount": rng.uniform(0.01, 0.5)},
    "disk slow": lambda _, rng: {"amount": rng.choice((0.05, 0.3, 0.6, 2.0))},
    "wall clock set": lambda _, rng: {"amount": rng.choice((-86_400.0, -30.0, -1.5, 0.4, 2.0, 3_700.0, 1e6))},
    "power cut": lambda _, rng: {"amount": rng.choice((0.0, 0.0, -5.0, -3600.0))},
    "engine in doubt": lambda _, rng: {
        "choice": rng.choice(("serve", "serve", "clean", "purge", "prime", "jog", "unhold"))
    },
}


def draw_troubles(profile: Profile, rng: Random) -> tuple[Trouble, ...]:
    """None to six troubles, in the order in which they begin."""
    kinds = rng.choices(list(KINDS), list(KINDS.values()), k=rng.randint(FEW, MOST))
    found: list[Trouble] = []
    for kind in kinds:
        if kind == FOLDER and any(one.what == FOLDER for one in found):
            continue  # two files gone at once are found by what the engine was told, when it says hello
        details = DETAILS.get(kind, lambda _profile, _rng: {})(profile, rng)
        lasts_s = rng.choice((0.05, 0.3, 0.45, 0.6, 1.5, 5.0)) * rng.uniform(0.8, 1.2)
        found.append(Trouble(what=kind, at_s=rng.uniform(0.3, LONGEST_S), lasts_s=lasts_s, **details))
    return tuple(sorted(found, key=lambda one: one.at_s))
