"""What weighing has taught of every line: a Kalman filter over all of them, from one serving to the next.

A line is known by four states: how far its flow lies off the calibration (a fraction), by how much more that changes
when its motor is warm (a fraction, either sign), what its starts and ends deliver less than calibrated, and what still
comes after it is switched off (both mL). One more is common to all: the transit time, by which the weight lags behind
the outlets. Covariances between lines are kept, since lines that pour at once are weighed at once. Between servings the
states drift as a random walk does, by idle time and running time.
"""

import math
import struct
from collections.abc import Iterable, Mapping

from msgspec import structs

from controller.metering.kalman import KalmanFilter
from controller.model.calibration import Calibration
from controller.model.fields import Value
from controller.model.learning import LearnedLine, LearnedState

# Standard deviations before anything was weighed, and how they grow. Common practice, no source, where none is named.
TRANSIT_S, U_TRANSIT_S = 0.25, 0.15
TRANSIT_DRIFT_S2_S = 0.01**2 / 3600
CLINGING_G, U_CLINGING_G = 0.1, 0.07
CLINGING_DRIFT_G2_S = 0.03**2 / 3600
U_WARM = 0.02  # at 30 K: -4 to +4 %, either sign, by how much of its voltage a motor loses in its winding
WARMING_S = 600.0  # a small motor warms up in minutes (winding) to tens of minutes (case)
U_END = 0.4  # of what comes after the end, by the data sheet
IDLE_PER_S = 0.005**2 / 3600  # variance of the relative flow: level, temperature, supply
IDLE_GAS_PER_S = 0.02**2 / 3600  # the same of a carbonated liquid, which goes flat
LONGEST_IDLE_S = 48 * 3600.0  # beyond that, nothing more happens to a machine at rest
SHARED_IDLE = 0.5  # of that variance: what happens to all lines alike
WEAR_PER_S = 0.004**2 / 600  # of running: a new tube changes by 1 to 4 % in 10 to 60 min
LAG_WEAR_ML2_S = 0.02**2 / 600
FACTOR, WARM, LAG, END = range(4)  # places of a line's states


class LineBasis(Value, frozen=True, kw_only=True):
    """What a line's states count from: its calibration, and what its figures and the book say of it."""

    calibration: Calibration
    grams_per_ml: float  # what the scale shows for 1 mL
    end_ml: float  # that comes after it is switched off
    is_carbonated: bool = False
    u_density: float = 0.0  # relative standard uncertainty of grams_per_ml: the liquid's density, the scale's span

    @property
    def flow_ml_s(self) -> float:
        """As calibrated, mL/s."""
        return self.calibration.flow_ml_s


class LearnedFlows:
    """The machine's lines as calibrations and weighed servings have them. Times are Unix seconds."""

    def __init__(self, at_wall_s: float) -> None:
        self.filter = KalmanFilter()
        self.transit = self.filter.add(TRANSIT_S, U_TRANSIT_S**2)
        self.clinging = self.filter.add(CLINGING_G, U_CLINGING_G**2)
        self.bases: dict[int, LineBasis] = {}
        self.warmth: dict[int, float] = {}  # 0 cold to 1 as warm as it gets
        self.ran_wall_s: dict[int, float] = {}  # when the line ran last
        self._first: dict[int, int] = {}  # line -> number of its first state
        self.at_wall_s = at_wall_s

    def copy(self) -> "LearnedFlows":
        """Flows that can be taught without changing these."""
        twin = LearnedFlows(self.at_wall_s)
        twin.filter = self.filter.copy()
        twin.bases, twin.warmth, twin.ran_wall_s = self.bases.copy(), self.warmth.copy(), self.ran_wall_s.copy()
        twin._first = self._first.copy()
        return twin

    def state(self, line: int, place: int) -> int:
        """Number of a line's state at FACTOR, WARM, LAG or END."""
        return self._first[line] + place

    def know(self, line: int, basis: LineBasis, *, idle_s: float = 0.0) -> None:
        """The line is as calibrated, idle_s (s) after that; what was learned of it is given up."""
        calibration, flow_ml_s = basis.calibration, basis.flow_ml_s
        if line not in self._first:
            self._first[line] = len(self.filter.mean)
            for _ in range(4):
                self.filter.add(0.0, 0.0)
            self.warmth[line] = 0.0
            self.ran_wall_s[line] = self.at_wall_s - idle_s
        self.bases[line] = basis
        factor = self._first[line]
        self.filter.set(factor + FACTOR, 0.0, (calibration.u_flow_ml_s / flow_ml_s) ** 2)
        self.filter.set(factor + WARM, 0.0, U_WARM**2)
        self.filter.set(factor + LAG, 0.0, (flow_ml_s * calibration.u_lag_s) ** 2)
        self.filter.set(factor + END, basis.end_ml, (U_END * basis.end_ml) ** 2)
        covariance = calibration.cov_flow_lag  # mL: of flow and lag, so of factor and lag volume the same
        self.filter.covariance[factor + FACTOR][factor + LAG] = covariance
        self.filter.covariance[factor + LAG][factor + FACTOR] = covariance
        self._drift((line,), idle_s)

    def rest_until(self, wall_s: float) -> None:
        """Nothing was poured until wall_s."""
        idle_s = max(0.0, wall_s - self.at_wall_s)
        self._drift(self.bases, idle_s)
        for line in self.warmth:
            self.warmth[line] *= math.exp(-idle_s / WARMING_S)
        for state, per_s, most in (
            (self.transit, TRANSIT_DRIFT_S2_S, U_TRANSIT_S),
            (self.clinging, CLINGING_DRIFT_G2_S, U_CLINGING_G),
        ):
            if self.filter.covariance[state][state] < most**2:
                self.filter.widen({state: 1.0}, per_s * min(idle_s, LONGEST_IDLE_S))
        self.at_wall_s = max(self.at_wall_s, wall_s)

    def _drift(self, lines: Iterable[int], idle_s: float) -> None:
        """Idle time: nothing makes a flow more uncertain than that of a machine that stood for LONGEST_IDLE_S."""
        idle_s = min(idle_s, LONGEST_IDLE_S)
        own, shared = dict[int, float](), dict[int, float]()
        for n in lines:
            state = self.state(n, FACTOR)
            per_s = IDLE_GAS_PER_S if self.bases[n].is_carbonated else IDLE_PER_S
            if self.filter.covariance[state][state] < per_s * LONGEST_IDLE_S:
                own[state] = (per_s - SHARED_IDLE * IDLE_PER_S) * idle_s
                shared[state] = 1.0
        self.filter.widen(shared, SHARED_IDLE * IDLE_PER_S * idle_s)
        for state, variance in own.items():
            self.filter.widen({state: 1.0}, variance)

    def heat(self, line: int, running_s: float) -> None:
        """The line's motor has run for so long (s) more, and its tube with it."""
        self.warmth[line] = 1.0 - (1.0 - self.warmth[line]) * math.exp(-running_s / WARMING_S)
        self.filter.widen({self.state(line, FACTOR): 1.0}, WEAR_PER_S * running_s)
        self.filter.widen({self.state(line, LAG): 1.0}, LAG_WEAR_ML2_S * running_s)

    def flow_terms(self, line: int) -> dict[int, float]:
        """The states that make up the line's present flow over its calibrated one, less 1, with their coefficients."""
        return {self.state(line, FACTOR): 1.0, self.state(line, WARM): self.warmth[line]}

    def flow(self, line: int) -> tuple[float, float]:
        """Present flow over the calibrated one, and its standard uncertainty."""
        mean, variance = self.filter.expect(self.flow_terms(line))
        return 1.0 + mean, math.sqrt(max(0.0, variance))

    def calibration(self, line: int) -> Calibration:
        """The line's calibration with what has been learned since."""
        base = self.bases[line].calibration
        ratio, u_ratio = self.flow(line)
        flow_ml_s = ratio * base.flow_ml_s
        lag = self.state(line, LAG)
        lag_ml = base.flow_ml_s * base.lag_s + self.filter.mean[lag]
        shared = sum(c * self.filter.covariance[i][lag] for i, c in self.flow_terms(line).items())
        return structs.replace(
            base,
            flow_ml_s=flow_ml_s,
            lag_s=lag_ml / flow_ml_s,
            u_flow_ml_s=base.flow_ml_s * u_ratio,
            u_lag_s=math.sqrt(self.filter.covariance[lag][lag]) / flow_ml_s,
            cov_flow_lag=shared / ratio,
        )

    def kept(self) -> LearnedState:
        """Everything that is to be known at the next start."""
        lines = tuple(
            LearnedLine(line=line, liquid=basis.calibration.liquid, taken_wall_s=basis.calibration.taken_wall_s,
                        first=self._first[line], warmth=self.warmth[line], ran_wall_s=self.ran_wall_s[line])
            for line, basis in self.bases.items()
        )  # fmt: skip
        lower = [entry for i, row in enumerate(self.filter.covariance) for entry in row[: i + 1]]
        return LearnedState(
            at_wall_s=self.at_wall_s,
            lines=lines,
            mean=tuple(self.filter.mean),
            covariance=struct.pack(f"<{len(lower)}f", *lower),
        )


def restored(state: LearnedState, bases: Mapping[int, LineBasis]) -> LearnedFlows:
    """What was kept, for the lines that still have the calibration that it counts from."""
    flows = LearnedFlows(state.at_wall_s)
    size = len(state.mean)
    lower = struct.unpack(f"<{size * (size + 1) // 2}f", state.covariance)
    flows.filter.mean = list(state.mean)
    flows.filter.covariance = [
        [lower[max(i, j) * (max(i, j) + 1) // 2 + min(i, j)] for j in range(size)] for i in range(size)
    ]
    numbers = [flows.transit, flows.clinging]
    for one in state.lines:
        basis = bases.get(one.line)
        is_same = basis is not None and (basis.calibration.liquid, basis.calibration.taken_wall_s) == (
            one.liquid, one.taken_wall_s,
        )  # fmt: skip
        if basis is not None and is_same:
            flows.bases[one.line], flows.warmth[one.line] = basis, one.warmth
            flows.ran_wall_s[one.line] = one.ran_wall_s
            flows._first[one.line] = len(numbers)
            numbers += range(one.first, one.first + 4)
    flows.filter.keep(numbers)
    return flows
