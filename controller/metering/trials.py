"""What a calibration starts from: weighed trials, and what is known before any."""

import math
from collections.abc import Sequence

from msgspec import structs

from controller.errors import require_in_range, require_positive
from controller.model.fields import Value


class Trial(Value, frozen=True):
    """One weighed run of one line.

    on_s: relay on-time (s, > 0). volume_ml: what came (mL, >= 0). u_volume_ml: standard uncertainty of that volume as a
    measurement (mL, > 0), as far as it is this trial's own: what all trials share is no part of it, nor is the pump's
    scatter, which the fit finds. others_a: current of the other pumps that ran all the while (A, >= 0). step_ml: the
    scale's step (mL, >= 0). number: what people call it; 0: its place, from 1. OutOfRange by name.
    """

    on_s: float
    volume_ml: float
    u_volume_ml: float
    others_a: float = 0.0
    step_ml: float = 0.0
    number: int = 0

    def __post_init__(self) -> None:
        require_positive("on_s", self.on_s, "s")
        require_in_range("volume_ml", self.volume_ml, 0.0, 50_000.0, "mL")
        require_positive("u_volume_ml", self.u_volume_ml, "mL")
        require_in_range("others_a", self.others_a, 0.0, 100.0, "A")
        require_in_range("step_ml", self.step_ml, 0.0, 1000.0, "mL")


def number_of(trials: "Sequence[Trial]", index: int) -> int:
    """What people call the trial at this place."""
    return trials[index].number or index + 1


class Prior(Value, frozen=True, kw_only=True):
    """What is believed before the trials: of lag and sag always, of flow only when u_flow_ml_s is given.

    The defaults are those of small brushed peristaltic pumps on a relay: common practice, no source. A pool of fitted
    lines (`controller.metering.pooled_prior`) gives better ones. Scatter: standard deviation from run to run of a
    volume V is hypot(scatter_ml, scatter_fraction V), known as well as scatter_dof residuals would show it.
    """

    lag_s: float = 0.05
    u_lag_s: float = 0.2
    sag_per_a: float = 0.02
    u_sag_per_a: float = 0.02
    flow_ml_s: float | None = None
    u_flow_ml_s: float | None = None
    scatter_ml: float = 0.06
    scatter_fraction: float = 0.0035
    scatter_dof: float = 5.0

    def __post_init__(self) -> None:
        require_in_range("lag_s", self.lag_s, -10.0, 10.0, "s")
        require_positive("u_lag_s", self.u_lag_s, "s")
        require_in_range("sag_per_a", self.sag_per_a, -1.0, 1.0, "1/A")
        require_positive("u_sag_per_a", self.u_sag_per_a, "1/A")
        if self.flow_ml_s is not None and self.u_flow_ml_s is not None:
            require_positive("flow_ml_s", self.flow_ml_s, "mL/s")
            require_positive("u_flow_ml_s", self.u_flow_ml_s, "mL/s")
        require_positive("scatter_ml", self.scatter_ml, "mL")
        require_positive("scatter_fraction", self.scatter_fraction, "")
        require_positive("scatter_dof", self.scatter_dof, "")


DEFAULT_PRIOR = Prior()


def with_shared_rounding(trials: Sequence[Trial], prior: Prior) -> list[Trial]:
    """The trials, those of equal run time with the rounding that they share on a coarse scale.

    Runs that scatter less than the scale's step are all rounded the same way, and no number of them averages that
    away. The correlation of the rounding errors of two readings whose true values differ by a normal deviate of
    standard deviation s is 6/pi^2 sum exp(-2 (pi k s / step)^2) / k^2: each error is a sawtooth, taken apart into
    harmonics (B. Widrow, I. Kollar, Quantization Noise, 2008, from memory).
    """
    widened = []
    for trial in trials:
        equal = sum(abs(trial.on_s - other.on_s) < 1e-6 for other in trials)
        if equal == 1 or trial.step_ml == 0.0:
            widened.append(trial)
            continue
        spread = 2.0 * (prior.scatter_ml**2 + (prior.scatter_fraction * trial.volume_ml) ** 2) / trial.step_ml**2
        correlation = (
            6.0 / math.pi**2 * math.fsum(math.exp(-2.0 * (math.pi * k) ** 2 * spread) / k**2 for k in range(1, 6))
        )
        shared_ml2 = (equal - 1) * correlation * trial.step_ml**2 / 12.0
        widened.append(structs.replace(trial, u_volume_ml=math.sqrt(trial.u_volume_ml**2 + shared_ml2)))
    return widened
