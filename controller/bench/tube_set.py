"""A new tube takes a permanent set: it displaces less as it runs in, most of it in the first hours.

That it does is in Saint-Gobain Medical, "Six questions about peristaltic pump tubing"; how much is common practice.
"""

import math
from random import Random

from controller.model.fields import Value


class SetTruth(Value, frozen=True, kw_only=True):
    """One tube element."""

    share: float  # of the displacement, lost for good once the tube has run in
    revs: float  # revolutions after which 63 % of that is lost


def displaced_share(truth: SetTruth | None, revs: float) -> float:
    """What the set leaves of a new tube's displacement after so many revolutions."""
    return 1.0 if truth is None else 1.0 + truth.share * math.expm1(-revs / truth.revs)


def draw_set(rng: Random, speed_rev_s: float) -> SetTruth:
    """Largest change in the first 10 to 60 min."""
    return SetTruth(share=rng.uniform(0.01, 0.04), revs=speed_rev_s * rng.uniform(600.0, 3600.0))
