"""What the readings of a load cell say of it: zero, span with its uncertainty, noise, drift and creep.

Error terms as OIML R 60-1:2021 names them. The figures of a cheap single-point cell are those of a data sheet (Seeed
Studio, "Weight Sensor (Load Cell) 0-500g": 0.05 % of the capacity for non-linearity, for creep in 30 min and for the
zero per 10 K); the budget follows EURAMET cg-18 v4.0, as others cite it.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from statistics import fmean, median

from controller.model.fields import Value
from controller.model.scale import DOUBTS, Reading, Scale, ScaleSetting
from controller.model.scale_views import SpanBudgetLine

NON_LINEARITY = CREEP_30_MIN = ZERO_10_K = 0.0005  # of the capacity; see above
OFF_CENTRE = 0.0005  # of the load, a glass set down anywhere on its place; common practice, no source
ROOM_K = 1.0  # how far a room's temperature moves between zeroing and spanning
RESTLESS_G = 0.3  # between two halves of some seconds; common practice, no source
LEAST_READINGS = 10
MOVED_G, LATEST = 2.0, 5  # a reading that differs by more from the median of the latest was another load
SETTLES_S = 0.4  # four conversions at 10 a second, the settling time in the HX711's data sheet; from memory
NORMAL = 1.4826  # standard deviations in a median deviation, of a normal distribution
GAIN, BITS = 128, 24  # of both kinds of converter
AS_STATED = 1.25  # how far a span may lie from what the cell's stated output makes of it; sold at +-20 % and more
AS_RATED = 0.7  # of the readings that the profile promises; clocks of converters vary by 3 %
NOISY = 5e-4  # of the capacity, one reading's standard deviation; a data sheet's is a tenth of it
DRIFTED = 1e-3  # of the capacity: twice what 10 K do


class Steady(Value, frozen=True, kw_only=True):
    """A while of readings under one load, in counts; u_counts: standard uncertainty of the mean."""

    counts: float
    u_counts: float
    spread_counts: float  # standard deviation of one reading
    moved_counts: float  # from its first half to its second
    readings: int
    lasts_s: float


def steady(readings: Sequence[Reading], *, least: int = LEAST_READINGS) -> Steady | None:
    """The readings as one; None when there are fewer than `least`.

    The spread is taken from one reading to the next, by the median, so that a load that moves or a knock is no noise.
    Noise of low frequency does not average out: the mean is taken to be no better than half of what its two halves
    differ by.
    """
    if len(readings) < least:
        return None
    counts = [float(one.counts) for one in readings]
    half = len(counts) // 2
    moved = fmean(counts[half:]) - fmean(counts[:half])
    spread = NORMAL * median(abs(b - a) for a, b in pairwise(counts)) / math.sqrt(2.0)
    return Steady(
        counts=fmean(counts),
        u_counts=max(spread / math.sqrt(len(counts)), abs(moved) / 2.0),
        spread_counts=spread,
        moved_counts=moved,
        readings=len(counts),
        lasts_s=readings[-1].at_s - readings[0].at_s,
    )


def since_settled(readings: Sequence[Reading], counts_per_g: float) -> Sequence[Reading]:
    """The latest of these readings (oldest first), back to when the load moved last: a glass was set down, a hand left.

    Nothing before SETTLES_S after that counts: a converter passes on a step over some conversions.
    """
    if not readings:
        return readings
    newest = median(one.counts for one in readings[-LATEST:])
    moved = (one for one in reversed(readings) if abs(one.counts - newest) > MOVED_G * abs(counts_per_g))
    last = next(moved, None)
    return readings if last is None else [one for one in readings if one.at_s > last.at_s + SETTLES_S]


def nominal_counts_per_g(scale: Scale) -> float | None:
    """Counts per gram by the cell's stated output: bridge supplied by the converter's reference; None when not stated.

    Full scale is +-0.5 reference / gain over 2^24 counts (data sheets of NAU7802 and HX711), so 1 mV/V makes
    128 x 2^24 / 1000 = 2.147 million counts.
    """
    return None if scale.output_mv_v is None else GAIN * 2**BITS * scale.output_mv_v / 1000.0 / scale.capacity_g


def expected_counts_per_g(scale: Scale, setting: ScaleSetting) -> float:
    """Counts per gram as well as they are known: by span, by the stated output, or for a cell of 1 mV/V."""
    if setting.span is not None:
        return setting.span.counts_per_g
    return nominal_counts_per_g(scale) or GAIN * 2**BITS / 1000.0 / scale.capacity_g


def is_restless(found: Steady, counts_per_g: float) -> bool:
    """Whether the load still moves, or somebody touches it."""
    white_noise = 4.0 * found.spread_counts / math.sqrt(found.readings)
    return abs(found.moved_counts) > max(RESTLESS_G * abs(counts_per_g), white_noise)


def span_budget(
    loaded: Steady, setting: ScaleSetting, scale: Scale, *, counts_per_g: float, mass_g: float, tolerance_g: float
) -> tuple[SpanBudgetLine, ...]:
    """Where the uncertainty of a span comes from, as g in the mass.

    A weight that is used at its nominal value counts with its tolerance as uniform (EURAMET cg-18); a glass off the
    centre with w = |dI| / (2 sqrt(3)) (the same). A cell bends by a parabola: its slope at a load differs from its mean
    slope up to there by at most four times the non-linearity, in proportion to the share of the capacity.
    """
    share, root3 = mass_g / scale.capacity_g, math.sqrt(3.0)

    def line(source: str, evaluation: str, u_g: float) -> SpanBudgetLine:
        return SpanBudgetLine(source=source, evaluation="A" if evaluation == "A" else "B", u_g=u_g)

    return (
        line("the known mass", "B", tolerance_g / root3),
        line("reading with the mass", "A", loaded.u_counts / abs(counts_per_g)),
        line("reading of the zero", "A", setting.u_zero_counts / abs(counts_per_g)),
        line("zero moved by temperature", "B", ZERO_10_K * scale.capacity_g * ROOM_K / 10.0 / root3),
        line("creep", "B", CREEP_30_MIN * mass_g / root3),
        line("non-linearity", "B", 4.0 * NON_LINEARITY * share * mass_g / root3),
        line("glass off the centre", "B", OFF_CENTRE * mass_g / (2.0 * root3)),
    )


def u_span_g(budget: Sequence[SpanBudgetLine]) -> float:
    """The combined standard uncertainty of a budget, g (GUM, JCGM 100:2008, 5.1.2)."""
    return math.hypot(*(one.u_g for one in budget))


def span_findings(counts_per_g: float, scale: Scale) -> tuple[str, ...]:
    """What is odd about a span, by the output that the cell's data sheet states."""
    stated = nominal_counts_per_g(scale)
    if stated is None or 1.0 / AS_STATED <= counts_per_g / stated <= AS_STATED:
        return ()
    return (
        f"the span is {counts_per_g / stated:.2f} times what {scale.output_mv_v:g} mV/V at {scale.capacity_g:g} g "
        "make: check the mass on the platform, then the cell's capacity and output in the profile.",
    )


def rate_findings(readings: Sequence[Reading], scale: Scale) -> tuple[str, ...]:
    """What is odd about the pace of readings, of which every one was wanted; two are too few to tell."""
    lasts_s = readings[-1].at_s - readings[0].at_s if readings else 0.0
    per_s = (len(readings) - 1) / lasts_s if lasts_s > 0.0 and len(readings) > 2 else scale.readings_per_s
    if per_s >= AS_RATED * scale.readings_per_s:
        return ()
    return (
        f"under way it gives {per_s:.0f} readings a second, the profile says {scale.readings_per_s}: set the "
        "converter's rate (an HX711 by its RATE pin), or readings_per_s in the profile.",
    )


def findings(
    found: Steady | None, latest: Reading | None, scale: Scale, setting: ScaleSetting, *, is_empty: bool | None
) -> tuple[str, ...]:
    """What is wrong with the scale, by readings at rest. is_empty: whether nothing stands on it, None when unknown."""
    wrong = [f"{DOUBTS[latest.doubt]}."] if latest is not None and latest.doubt else []
    if found is None:
        return tuple(wrong or [f"{DOUBTS['silent']}."])
    per_g = abs(expected_counts_per_g(scale, setting))
    noise_g = found.spread_counts / per_g
    if noise_g > NOISY * scale.capacity_g:
        wrong.append(
            f"one reading differs from the next by {noise_g:.2f} g (standard deviation): look for a loose wire, a "
            "draught, or a pump that shakes the platform."
        )
    load_g = setting.load_g(found.counts)
    if is_empty and load_g is not None and abs(load_g) > DRIFTED * scale.capacity_g:
        wrong.append(
            f"the empty platform shows {load_g:+.1f} g: its zero has drifted with time and temperature. Zero it "
            "(tundish scale zero); when that does not last, look for something that touches the platform, and for heat."
        )
    return tuple(wrong)
