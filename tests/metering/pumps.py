"""Invented pumps with a known truth: flow, lag, sag, scatter from run to run, and the weighing's own scatter."""

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

from controller.metering.trials import Trial


@dataclass(frozen=True, kw_only=True)
class TruePump:
    flow_ml_s: float = 1.67
    lag_s: float = 0.08
    sag_per_a: float = 0.0
    scatter_ml: float = 0.1
    scatter_fraction: float = 0.004
    u_weighing_ml: float = 0.03

    def mean_ml(self, on_s: float, others_a: float = 0.0) -> float:
        return self.flow_ml_s * (1.0 - self.sag_per_a * others_a) * (on_s - self.lag_s)

    def run_ml(self, rng: random.Random, on_s: float, others_a: float = 0.0) -> float:
        mean = self.mean_ml(on_s, others_a)
        return mean + rng.gauss(0.0, math.hypot(self.scatter_ml, self.scatter_fraction * mean))

    def trials(self, rng: random.Random, times_s: Sequence[float], others_a: Sequence[float] = ()) -> list[Trial]:
        currents = [*others_a, *[0.0] * (len(times_s) - len(others_a))]
        return [
            Trial(
                on_s=on_s,
                volume_ml=max(0.0, self.run_ml(rng, on_s, amperes) + rng.gauss(0.0, self.u_weighing_ml)),
                u_volume_ml=self.u_weighing_ml,
                others_a=amperes,
            )
            for on_s, amperes in zip(times_s, currents, strict=True)
        ]


def exact_trials(flow_ml_s: float, lag_s: float, times_s: Sequence[float], u_volume_ml: float = 0.05) -> list[Trial]:
    return [Trial(on_s, flow_ml_s * (on_s - lag_s), u_volume_ml) for on_s in times_s]
