"""What the load cell, its converter and its surroundings really are; only the bench knows.

Figures of a cheap single-point cell: data of a 500 g bending-beam cell, Seeed Studio wiki (creep, non-linearity,
temperature on zero and on output 0.05 % of full scale each, in 30 min or 10 K; its output is off by up to 20 %). Noise:
NAU7802 data sheet, Nuvoton, rev 2.1 (50 nV at 10 and 150 nV at 80 samples a second, referred to the input at gain 128).
Its -3 dB at 0.227 of the rate (same sheet, 1.2) is that of a sinc filter of fourth order. Everything else is common
practice, no source.
"""

import math
from collections.abc import Collection, Iterable
from random import Random
from typing import Literal, get_args

from controller.model.fields import Value

CellEffect = Literal[
    "noise", "wander", "bandwidth", "vibration", "knocks", "creep", "drift", "bow", "momentum", "flight", "drops",
    "handling",
]  # fmt: skip
CELL_EFFECTS: tuple[CellEffect, ...] = get_args(CellEffect)
UNDISTURBED: tuple[CellEffect, ...] = tuple(one for one in CELL_EFFECTS if one != "knocks")

FULL_SCALE_COUNTS = 128 * 2**24 / 1000  # at gain 128 and 1 mV/V, whatever the excitation
EXCITATION_V = 3.0
OF_CAPACITY = 5e-4  # 0.05 %
QUIET_NV, FAST_NV = 50.0, 150.0  # rms, at 10 and at 80 samples a second
KNOCKS_PER_H = 20.0


class CellTruth(Value, frozen=True, kw_only=True):
    """One load cell with its converter. Each figure of an effect is 0 while the effect is off."""

    capacity_g: float
    rate_hz: float
    counts_per_g: float
    zero_counts: float
    filter_s: float = 0.0  # each of the four stages of the converter's filter
    noise_g: float = 0.0  # rms of one conversion
    wander_g: float = 0.0  # rms of the noise in each octave below the rate: 1/f
    vibration_g: tuple[tuple[int, float], ...] = ()  # line, amplitude at its rollers' frequency before the filter
    knocks_per_h: float = 0.0
    creep: float = 0.0  # fraction of the load, after long
    creep_s: float = 600.0  # time constant: 95 % within the 30 min of the data sheets
    zero_g_k: float = 0.0
    span_per_k: float = 0.0
    warm_k: float = 0.0  # rise of the machine's inside after it was switched on
    bow: float = 0.0  # non-linearity at half the capacity, fraction of the capacity
    fall_m: float = 0.0  # from the funnel's outlet to the bottom of the glass
    exit_m_s: float = 0.0  # speed at the outlet
    pushes: bool = False  # whether the stream's momentum presses on the platform
    nozzle_ml: float = 0.0  # clings to the outlet while it pours, and falls in drops afterwards
    drop_ml: float = 0.05
    is_handled: bool = False  # whether setting down and lifting take time and shake


def draw_cell(
    seed: int,
    lines: Iterable[int],
    *,
    capacity_g: float = 5000.0,
    rate_hz: float = 80.0,
    effects: Collection[CellEffect] = UNDISTURBED,
) -> CellTruth:
    """Draw a cell; every effect has its own random stream, so one does not disturb another."""

    def either_way(what: CellEffect, most: float) -> float:
        return _stream(seed, what).uniform(-most, most) if what in effects else 0.0

    rng = _stream(seed, "span")
    counts_per_g = FULL_SCALE_COUNTS * rng.uniform(0.8, 1.2) / capacity_g
    zero_g_k, span_per_k, warm_k = _drift(_stream(seed, "drift"), capacity_g)
    fall_m, exit_m_s, nozzle_ml = _outlet(_stream(seed, "flow"))
    return CellTruth(
        capacity_g=capacity_g,
        rate_hz=rate_hz,
        counts_per_g=counts_per_g,
        zero_counts=rng.uniform(-0.1, 0.1) * FULL_SCALE_COUNTS,
        filter_s=1.0 / rate_hz if "bandwidth" in effects else 0.0,
        noise_g=_noise_g(rate_hz, counts_per_g) if "noise" in effects else 0.0,
        wander_g=0.25 * _noise_g(10.0, counts_per_g) if "wander" in effects else 0.0,
        vibration_g=_vibration_g(seed, lines) if "vibration" in effects else (),
        knocks_per_h=KNOCKS_PER_H if "knocks" in effects else 0.0,
        creep=either_way("creep", OF_CAPACITY),
        zero_g_k=zero_g_k if "drift" in effects else 0.0,
        span_per_k=span_per_k if "drift" in effects else 0.0,
        warm_k=warm_k if "drift" in effects else 0.0,
        bow=either_way("bow", OF_CAPACITY),
        fall_m=fall_m if "flight" in effects else 0.0,
        exit_m_s=exit_m_s if "momentum" in effects else 0.0,
        pushes="momentum" in effects,
        nozzle_ml=nozzle_ml if "drops" in effects else 0.0,
        is_handled="handling" in effects,
    )


def _stream(seed: int, what: str) -> Random:
    return Random(f"{seed}/cell {what}")


def _outlet(rng: Random) -> tuple[float, float, float]:
    """Height above the platform (m), speed of what leaves (m/s), and what clings there (mL); common practice."""
    return rng.uniform(0.12, 0.22), rng.uniform(0.1, 0.4), rng.uniform(0.05, 0.2)


def _drift(rng: Random, capacity_g: float) -> tuple[float, float, float]:
    """Of zero (g/K) and span (1/K), and how much warmer the machine's inside becomes (K; common practice)."""
    per_k = OF_CAPACITY / 10.0
    return rng.uniform(-1, 1) * per_k * capacity_g, rng.uniform(-1, 1) * per_k, rng.uniform(2.0, 5.0)


def _vibration_g(seed: int, lines: Iterable[int]) -> tuple[tuple[int, float], ...]:
    """Amplitudes by line; common practice, no source."""
    return tuple((line, Random(f"{seed}/vibration {line}").uniform(0.1, 0.6)) for line in lines)


def _noise_g(rate_hz: float, counts_per_g: float) -> float:
    """Rms noise in g: between the two rates of the data sheet evenly on logarithmic scales."""
    share = math.log(rate_hz / 10.0) / math.log(8.0)
    nv = QUIET_NV * math.pow(FAST_NV / QUIET_NV, share)
    return nv / (EXCITATION_V * 1e9 / (128 * 2**24)) / counts_per_g
