"""Pumps, scales and tired typists drawn at random, and what a calibration made of them.

Pumps scatter as the bench's do (controller/bench/truth.py: 0.2 to 0.4 % of the volume, and a few hundredths of a mL
from starting and stopping), each of the two drawn log-normally: common practice, no source. The scale is described to
the calibration as it is drawn; its scale factor is off by a normal deviate of the stated uncertainty.
"""

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

from controller.errors import Refused
from controller.metering.calibration import fit, fit_law
from controller.metering.dose import predict
from controller.metering.drift import FLAG_ABOVE, chart
from controller.metering.flow_law import FlowLaw
from controller.metering.gravimetry import displayed_g_per_ml, liquid_volume_ml
from controller.metering.least_squares import quadratic_form, solve
from controller.metering.trials import Trial
from controller.model.book import Liquid
from controller.model.scales import WeighingScale

WATER = Liquid(liquid="water", density_kg_m3=998.2)
DOSES_ML = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0)
NORMAL_95 = 1.959964


@dataclass(frozen=True, kw_only=True)
class Pump:
    flow_ml_s: float
    lag_s: float
    fixed_ml: float
    fraction: float

    def mean_ml(self, on_s: float) -> float:
        return self.flow_ml_s * (on_s - self.lag_s)

    def spread_ml(self, volume_ml: float) -> float:
        return math.hypot(self.fixed_ml, self.fraction * volume_ml)

    def run_ml(self, rng: random.Random, on_s: float) -> float:
        mean_ml = self.mean_ml(on_s)
        return max(0.0, rng.gauss(mean_ml, self.spread_ml(mean_ml)))


def drawn_pump(rng: random.Random) -> Pump:
    return Pump(
        flow_ml_s=math.exp(rng.uniform(math.log(1.5), math.log(8.0))),
        lag_s=rng.gauss(0.05, 0.1),
        fixed_ml=0.06 * math.exp(rng.gauss(0.0, 0.35)),
        fraction=0.0033 * math.exp(rng.gauss(0.0, 0.35)),
    )


def drawn_times_s(rng: random.Random, pump: Pump, count: int) -> list[float]:
    """Three run times over and over, as the program suggests them, or (every other time) all of them different."""
    if rng.random() < 0.5:
        low_ml, high_ml = rng.uniform(6.0, 12.0), rng.uniform(45.0, 60.0)
        volumes = [(low_ml, high_ml, math.sqrt(low_ml * high_ml))[k % 3] for k in range(count)]
    else:
        volumes = [6.0 + (k + rng.random()) * 54.0 / count for k in range(count)]
    return [round(volume_ml / pump.flow_ml_s + 0.05, 1) for volume_ml in volumes]


def reading_g(rng: random.Random, scale: WeighingScale, volume_ml: float, factor: float) -> float:
    """What a tared scale shows: its factor, its repeatability, a zero within a quarter of a step, rounded."""
    mass_g = volume_ml * displayed_g_per_ml(998.2) * factor
    shown = mass_g + rng.gauss(0.0, scale.spread_g) + rng.uniform(-0.25, 0.25) * scale.step_g
    return max(0.0, round(shown / scale.step_g) * scale.step_g)


def trial_of(on_s: float, grams: float, scale: WeighingScale) -> tuple[Trial, float]:
    """The trial as a calibration takes it, and the relative uncertainty that all trials share."""
    volume = liquid_volume_ml(grams, WATER, u_mass_g=scale.u_net_g, u_factor=scale.u_factor)
    trial = Trial(on_s=on_s, volume_ml=volume.volume_ml, u_volume_ml=volume.u_own_ml, step_ml=scale.step_g)
    return trial, volume.u_common


def mistyped(rng: random.Random, grams: float, step_g: float) -> float:
    """One digit of the weight replaced by another."""
    text = f"{grams:.{max(0, round(-math.log10(step_g)))}f}"
    places = [k for k, one in enumerate(text) if one.isdigit()]
    place = rng.choice(places)
    other = str((int(text[place]) + rng.randint(1, 9)) % 10)
    return float(text[:place] + other + text[place + 1 :])


def known_u95_ml(pump: Pump, trials: Sequence[Trial], u_common: float, dose_ml: float) -> float:
    """The half-width if all variances were known: the best that anybody could state."""
    variances = [one.u_volume_ml**2 + pump.spread_ml(pump.mean_ml(one.on_s)) ** 2 for one in trials]
    found = solve([(one.on_s, 1.0) for one in trials], [0.0] * len(trials), [1.0 / one for one in variances])
    on_s = dose_ml / pump.flow_ml_s + pump.lag_s
    mean_ml2 = quadratic_form(found.covariance, (on_s, 1.0)) + (u_common * dose_ml) ** 2
    return NORMAL_95 * math.sqrt(mean_ml2 + pump.spread_ml(dose_ml) ** 2)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """Of one pump: for each dose whether a run fell into the interval, and its width over the best possible.

    off: by how much the accepted fit is off the one of the same rows typed right (volume of a 50 mL dose, flow), as
    fractions; None without a typo. is_accepted: False when the fit was refused.
    """

    is_accepted: bool = True
    inside: tuple[bool, ...] = ()
    widths: tuple[float, ...] = ()
    off: tuple[float, float] | None = None


def calibrated(seed: int, count: int, scale: WeighingScale, *, typo: bool = False) -> Outcome:
    """Draw one pump, calibrate it with so many trials on this scale, and serve each dose once."""
    rng = random.Random(seed)
    pump, factor = drawn_pump(rng), 1.0 + rng.gauss(0.0, scale.u_factor)
    times_s = drawn_times_s(rng, pump, count)
    grams = [reading_g(rng, scale, pump.run_ml(rng, on_s), factor) for on_s in times_s]
    right, u_common = _trials(times_s, grams, scale)
    if not typo:
        return _served(rng, pump, fit_law(right, u_common=u_common), right, u_common)
    wrong = rng.randrange(count)
    typed = [mistyped(rng, one, scale.step_g) if k == wrong else one for k, one in enumerate(grams)]
    trials, _ = _trials(times_s, typed, scale)
    try:
        law = fit(trials, u_common=u_common)
    except Refused:
        return Outcome(is_accepted=False)
    best = fit_law(right, u_common=u_common)
    served = _served(rng, pump, law, right, u_common)
    off = (best.delivered_ml(law.run_time_s(50.0)) / 50.0 - 1.0, law.flow_ml_s / best.flow_ml_s - 1.0)
    return Outcome(inside=served.inside, widths=served.widths, off=off)


def _trials(times_s: Sequence[float], grams: Sequence[float], scale: WeighingScale) -> tuple[list[Trial], float]:
    pairs = [trial_of(on_s, one, scale) for on_s, one in zip(times_s, grams, strict=True)]
    return [trial for trial, _ in pairs], max(u_common for _, u_common in pairs)


def _served(rng: random.Random, pump: Pump, law: FlowLaw, trials: Sequence[Trial], u_common: float) -> Outcome:
    inside, widths = [], []
    for dose_ml in DOSES_ML:
        expected = predict(law, dose_ml)
        got_ml = pump.run_ml(rng, expected.run_time_s)
        inside.append(expected.low_ml <= got_ml <= expected.high_ml)
        widths.append(expected.u95_ml / known_u95_ml(pump, trials, u_common, dose_ml))
    return Outcome(inside=tuple(inside), widths=tuple(widths))


def false_alarm(seed: int, scale: WeighingScale, checks: int = 12) -> tuple[int, bool]:
    """Spot checks of a pump that has not changed: how many until the chart flagged it or they ended, and whether."""
    rng = random.Random(seed)
    pump, factor = drawn_pump(rng), 1.0 + rng.gauss(0.0, scale.u_factor)
    times_s = drawn_times_s(rng, pump, 8)
    grams = [reading_g(rng, scale, pump.run_ml(rng, on_s), factor) for on_s in times_s]
    trials, u_common = _trials(times_s, grams, scale)
    law = fit_law(trials, u_common=u_common)
    runs = [reading_g(rng, scale, pump.run_ml(rng, 8.0), factor) for _ in range(checks)]
    drawn = chart(law, [trial_of(8.0, one, scale)[0] for one in runs])
    first = next((k for k, one in enumerate(drawn.points) if max(one.high, one.low) > FLAG_ABOVE), None)
    return (checks, False) if first is None else (first + 1, True)
