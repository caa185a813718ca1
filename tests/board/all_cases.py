"""The cases of one machine, in order."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from tests.board.backup_cases import backed_up, upgraded
from tests.board.board_cases import (
    DEEDS,
    QUICK,
    Finding,
    hurt,
    poured,
    powered_on,
    removed,
    reset,
    restarted,
    rested,
    unplugged,
    vetted,
)
from tests.board.board_machine import Machine
from tests.board.network_cases import opened
from tests.board.scale_cases import weighed


@dataclass(frozen=True, kw_only=True)
class Case:
    """One case with its name."""

    name: str
    look: Callable[[Machine], Finding]


def cases(overlay, card, *, quick: bool, idle_s: float) -> list[Case]:
    """All cases of one machine, in order; the first switches it on."""
    serve = Case(name="serve", look=poured)
    return [
        Case(name="power-on", look=partial(powered_on, overlay=overlay, card=card)),
        Case(name="units", look=vetted),
        serve,
        Case(name="stop and start at rest", look=restarted),
        Case(name="idle", look=partial(rested, seconds=idle_s)),
        *(Case(name=deed.case, look=partial(hurt, deed=deed)) for deed in DEEDS if not quick or deed.case in QUICK),
        *([] if quick else [Case(name="reset in mid-pour", look=reset)]),
        serve,
        *([] if quick else [Case(name="backup", look=backed_up)]),
        *([] if quick else [Case(name="network on and off", look=opened), Case(name="scale", look=weighed)]),
        Case(name="upgrade and restore", look=upgraded),
        Case(name="plug pulled in mid-pour", look=partial(unplugged, overlay=overlay, card=card)),
        Case(name="uninstall", look=removed),
    ]
