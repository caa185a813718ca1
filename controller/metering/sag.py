"""Sag from a jar filled by several lines at once: all tubes end over one funnel, so only their sum can be weighed."""

import math
from collections.abc import Sequence

from msgspec import structs

from controller.errors import Refused
from controller.metering.calibration import law_of
from controller.metering.gravimetry import displayed_g_per_ml
from controller.model.calibration import Calibration
from controller.model.fields import Value


class Share(Value, frozen=True, kw_only=True):
    """One line's part: calibration alone, on-time (s), the others' mean current (A), density (kg/m3)."""

    calibration: Calibration
    on_s: float
    others_a: float
    density_kg_m3: float


class Sag(Value, frozen=True, kw_only=True):
    """Loss of flow per ampere that others draw, common to all lines of the supply; its standard uncertainty."""

    sag_per_a: float
    u_sag_per_a: float
    expected_g: float  # had every line run alone


def sag_from_trials(shares: Sequence[Share], grams: float, u_grams: float) -> Sag:
    """The sag that makes the sum of the lines' volumes weigh `grams` (u_grams: standard uncertainty, both g).

    mass = sum of density x flow x (on - lag) x (1 - sag x others), linear in the sag. One sag serves all lines, since
    they hang on the same supply and wires; lines of unlike pumps share the mean. Densities count as a scale shows them
    in air. Variance: the scale's, and of each line its calibration's and its scatter's. Refused when no line had
    company.
    """
    expected_g = leverage_ga = variance_g2 = 0.0
    for one in shares:
        alone = structs.replace(law_of(one.calibration), sag_per_a=0.0)
        g_per_ml = displayed_g_per_ml(one.density_kg_m3)
        mean_ml = alone.delivered_ml(one.on_s)
        expected_g += mean_ml * g_per_ml
        leverage_ga += mean_ml * g_per_ml * one.others_a
        u_ml = math.hypot(alone.u_mean_ml(one.on_s), alone.scatter.at_ml(mean_ml))
        variance_g2 += (u_ml * g_per_ml) ** 2
    if leverage_ga <= 0.0:
        raise Refused(
            rule="trials",
            reason="no line ran beside another, so the trial says nothing about sag.",
            remedy="Run at least two lines in one trial.",
        )
    return Sag(
        sag_per_a=(expected_g - grams) / leverage_ga,
        u_sag_per_a=math.sqrt(variance_g2 + u_grams**2) / leverage_ga,
        expected_g=expected_g,
    )
