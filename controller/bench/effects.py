"""What keeps a real machine from holding still: effects that a bench may have, by name, and the usual sets of them."""

from typing import Literal, get_args

Effect = Literal[
    "warming", "new tube", "run-back", "gas", "supply steps", "level", "temperature", "turbulence",
]  # fmt: skip
EFFECTS: tuple[Effect, ...] = get_args(Effect)

WORN_S = 40 * 3600.0  # running time of a worn pump: the recalibration interval of a public bioreactor procedure

# How a bench may be asked for: its effects, and how long its pumps have run (s).
CONDITIONS: dict[str, tuple[tuple[Effect, ...], float]] = {
    "steady": ((), 0.0),
    "new": (EFFECTS, 0.0),
    "worn": (EFFECTS, WORN_S),
}
