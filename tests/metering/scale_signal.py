"""A signal as a scale under a glass gives it, worked out apart from the estimator: flows, transit, noise, knocks.

What leaves the outlets runs through the funnel, falls, and presses as it lands by its weight and by its momentum.
"""

import math
import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from controller.metering.averages import Averages
from controller.metering.learned_flows import LearnedFlows, LineBasis
from controller.metering.weighed_pour import PlannedPour, WeighedPour
from controller.model.calibration import Calibration

RATE_HZ = 80.0
NOISE_G = 0.25  # one reading; NAU7802 data sheet: 150 nV at 80 a second, on a cell of 5 kg and 1 mV/V
FUNNEL_S, FALL_M, EXIT_M_S, GRAVITY_M_S2 = 0.16, 0.17, 0.2, 9.81
LANDS_M_S = math.sqrt(EXIT_M_S**2 + 2 * GRAVITY_M_S2 * FALL_M)
FALLS_S = (LANDS_M_S - EXIT_M_S) / GRAVITY_M_S2
END_ML = 0.16
LAG_S = 0.05


def calibration(line: int, flow_ml_s: float = 5.0) -> Calibration:
    return Calibration(
        line=line,
        liquid=f"liquid {line}",
        flow_ml_s=flow_ml_s,
        lag_s=LAG_S,
        u_flow_ml_s=0.002 * flow_ml_s,
        u_lag_s=0.01,
        cov_flow_lag=0.0,
        scatter_ml=0.03,
        scatter_fraction=0.003,
        scatter_dof=10.0,
    )


def learned(lines: dict[int, float], *, idle_s: float = 0.0, carbonated: tuple[int, ...] = ()) -> LearnedFlows:
    """Lines with these calibrated flows (mL/s)."""
    flows = LearnedFlows(0.0)
    for line, flow_ml_s in lines.items():
        basis = LineBasis(
            calibration=calibration(line, flow_ml_s),
            grams_per_ml=1.05,
            end_ml=END_ML,
            is_carbonated=line in carbonated,
        )
        flows.know(line, basis, idle_s=idle_s)
    return flows


@dataclass
class Signal:
    """Pours the runs with the true flows; readings and edges go to the estimator, whose cut-offs end the runs."""

    flows: LearnedFlows
    runs: list[PlannedPour]
    true_ml_s: dict[int, float]
    seed: int = 1
    trims: bool = True
    disturbed_g: Callable[[float], float] = lambda _at_s: 0.0
    delivered_ml: dict[int, float] = field(default_factory=dict)

    def pour(self) -> WeighedPour:
        """The whole serving until everything has settled."""
        rng = random.Random(self.seed)
        run_a = dict.fromkeys(self.true_ml_s, 0.5)
        pour = WeighedPour(self.flows, self.runs, run_a, Averages())
        on: dict[int, tuple[float, float]] = {}  # line -> since, flow of this run
        ends_s = {id(run): run.end_s for run in self.runs}
        waiting, running = list(self.runs), list[PlannedPour]()
        in_glass_g, at_s, last_s = 0.0, -1.0, math.inf
        falling_g = deque([0.0] * (round(FALLS_S * RATE_HZ) + 2), round(FALLS_S * RATE_HZ) + 2)
        while at_s < last_s + 3.0:
            at_s += 1.0 / RATE_HZ
            for run in [run for run in waiting if run.start_s <= at_s]:
                on[run.line] = (run.start_s, (1.0 + rng.gauss(0.0, 0.003)) * self.true_ml_s[run.line])
                waiting.remove(run)
                running.append(run)
                pour.switched(run.line, True, run.start_s)
            for run in [run for run in running if ends_s[id(run)] <= at_s]:
                running.remove(run)
                pour.switched(run.line, False, ends_s[id(run)])
                since_s, flow_ml_s = on.pop(run.line)
                self.delivered_ml[run.line] = out_ml(flow_ml_s, ends_s[id(run)] - since_s) + END_ML
                last_s = ends_s[id(run)] if not (running or waiting) else math.inf
            out_g = 1.05 * (
                sum(self.delivered_ml.values()) + sum(out_ml(flow, at_s - since_s) for since_s, flow in on.values())
            )
            in_glass_g += (out_g - in_glass_g) * -math.expm1(-1.0 / RATE_HZ / FUNNEL_S)
            falling_g.append(in_glass_g)
            pressed_g = falling_g[1] + (falling_g[1] - falling_g[0]) * RATE_HZ * LANDS_M_S / GRAVITY_M_S2
            if pour.read(at_s, 200.0 + pressed_g + rng.gauss(0.0, NOISE_G) + self.disturbed_g(at_s)) and self.trims:
                for run in running:
                    run.end_s = pour.cut_off_s(run)
                    ends_s[id(run)] = max(run.end_s, at_s + 1e-3)
        return pour


def out_ml(flow_ml_s: float, on_s: float) -> float:
    """What has left an outlet: nothing until the lag and what the end gives back are made up for."""
    return max(0.0, flow_ml_s * (on_s - LAG_S) - END_ML)
