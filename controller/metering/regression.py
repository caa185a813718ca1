"""Flow, lag and sag from weighed trials: weighted least squares by Gauss-Newton, what is known before as extra rows."""

import itertools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from controller.errors import Refused
from controller.metering.flow_law import gradient_of
from controller.metering.least_squares import Matrix, dot, solve
from controller.metering.trials import Prior, Trial

_ROUNDS = 60

_Known = tuple[tuple[float, float, float], float, float]  # regressors, value, standard uncertainty


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """Flow, lag, sag with their covariance, the trials' residuals (mL), and how well all rows agree."""

    parameters: tuple[float, float, float]
    covariance: Matrix
    residuals_ml: tuple[float, ...]
    log_determinant: float
    chi_squared: float
    degrees_of_freedom: int


def wants_sag(trials: Sequence[Trial]) -> bool:
    """Whether any trial ran beside others."""
    return any(trial.others_a > 0.0 for trial in trials)


def leans_on_lag(trials: Sequence[Trial]) -> bool:
    """Whether the trials leave the lag open: all ran for the same time, or too few are left beside the sag."""
    if max(trial.on_s for trial in trials) - min(trial.on_s for trial in trials) < 1e-6:
        return True
    return wants_sag(trials) and len({(round(one.on_s, 6), round(one.others_a, 6)) for one in trials}) < 3


def leans_on_sag(trials: Sequence[Trial]) -> bool:
    """Whether the trials leave the sag open: all ran beside the same current."""
    return wants_sag(trials) and max(t.others_a for t in trials) - min(t.others_a for t in trials) < 1e-6


def _known_rows(trials: Sequence[Trial], prior: Prior, *, full: bool) -> list[_Known]:
    """What is known before; only what the trials lack unless full."""
    rows = []
    if full or leans_on_lag(trials):
        rows.append(((0.0, 1.0, 0.0), prior.lag_s, prior.u_lag_s))
    if wants_sag(trials) and (full or leans_on_sag(trials)):
        rows.append(((0.0, 0.0, 1.0), prior.sag_per_a, prior.u_sag_per_a))
    if full and prior.flow_ml_s is not None and prior.u_flow_ml_s is not None:
        rows.append(((1.0, 0.0, 0.0), prior.flow_ml_s, prior.u_flow_ml_s))
    return rows


@dataclass(frozen=True, kw_only=True)
class Linear:
    """The trials about one flow, lag and sag: regressors and gaps, first of the trials, then of what is known."""

    at: tuple[float, float, float]
    rows: tuple[tuple[float, ...], ...]
    gaps: tuple[float, ...]
    known_weights: tuple[float, ...]

    def moved(self, step: Sequence[float]) -> tuple[float, float, float]:
        """Flow, lag and sag after a step; exact where only flow and lag are wanted, since flow x lag is linear."""
        flow = max(1e-9, self.at[0] + step[0])
        sag = self.at[2] + step[2] if len(step) > 2 else self.at[2]
        return flow, self.at[1] + step[1] * self.at[0] / flow, sag

    def padded(self, covariance: Matrix) -> Matrix:
        """The covariance of all three, 0 for a sag that no trial asks for."""
        size = len(covariance)
        return tuple(tuple(covariance[i][j] if max(i, j) < size else 0.0 for j in range(3)) for i in range(3))


def linearised(trials: Sequence[Trial], prior: Prior, *, full_prior: bool) -> Linear:
    """The trials about their least-squares fit, or about their median when a wild one turns that round.

    Refused when longer runs did not deliver more.
    """
    variances = [
        one.u_volume_ml**2 + prior.scatter_ml**2 + (prior.scatter_fraction * one.volume_ml) ** 2 for one in trials
    ]
    try:
        at = estimate(trials, [1.0 / variance for variance in variances], prior, full_prior=full_prior).parameters
    except Refused:
        at = _median_line(trials, prior)
    return _about(at, trials, _known_rows(trials, prior, full=full_prior))


def _about(at: tuple[float, float, float], trials: Sequence[Trial], known: Sequence[_Known]) -> Linear:
    size = 3 if wants_sag(trials) else 2
    rows = [gradient_of(*at, trial.on_s, trial.others_a)[:size] for trial in trials]
    gaps = [trial.volume_ml - _volume_ml(at, trial) for trial in trials]
    return Linear(
        at=at,
        rows=(*rows, *(row[:size] for row, _, _ in known)),
        gaps=(*gaps, *(value - dot(row, at) for row, value, _ in known)),
        known_weights=tuple(1.0 / (u * u) for _, _, u in known),
    )


def _median_line(trials: Sequence[Trial], prior: Prior) -> tuple[float, float, float]:
    """The median of the slopes between all pairs (H. Theil, 1950; P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379)."""
    slopes = [
        (b.volume_ml - a.volume_ml) / (b.on_s - a.on_s)
        for a, b in itertools.combinations(trials, 2)
        if abs(b.on_s - a.on_s) > 1e-6
    ]
    flow_ml_s = statistics.median(slopes) if slopes else 0.0
    _require_flow(flow_ml_s)
    return flow_ml_s, prior.lag_s, 0.0


def _start(trials: Sequence[Trial], weights: Sequence[float], prior: Prior) -> tuple[float, float, float]:
    """A first guess: the straight line through the trials, sag left out."""
    if leans_on_lag(trials):
        moving_s = [max(trial.on_s - prior.lag_s, 0.1 * trial.on_s) for trial in trials]
        flow = solve([(one,) for one in moving_s], [trial.volume_ml for trial in trials], weights)
        return flow.parameters[0], prior.lag_s, 0.0
    line = solve([(trial.on_s, 1.0) for trial in trials], [trial.volume_ml for trial in trials], weights)
    slope, offset = line.parameters
    return slope, -offset / slope if slope > 0.0 else 0.0, 0.0


def estimate(trials: Sequence[Trial], weights: Sequence[float], prior: Prior, *, full_prior: bool) -> Estimate:
    """Minimise the weighted squares; weights are 1/u^2 (1/mL^2). Refused when the flow does not come out positive.

    full_prior: let everything known before count as extra rows; else only what the trials leave open.
    """
    known = _known_rows(trials, prior, full=full_prior)
    all_weights = [*weights, *(1.0 / (u * u) for _, _, u in known)]
    at = _start(trials, weights, prior)
    for _ in range(_ROUNDS):
        _require_flow(at[0])
        about = _about(at, trials, known)
        step = solve(about.rows, about.gaps, all_weights)
        moved = (*step.parameters, 0.0)[:3]
        at = (at[0] + moved[0], at[1] + moved[1], at[2] + moved[2])
        if all(s * s <= 1e-20 * step.covariance[k][k] for k, s in enumerate(step.parameters)):
            break
    _require_flow(at[0])
    residuals = tuple(trial.volume_ml - _volume_ml(at, trial) for trial in trials)
    off = [value - dot(row, at) for row, value, _ in known]
    return Estimate(
        parameters=at,
        covariance=about.padded(step.covariance),
        residuals_ml=residuals,
        log_determinant=step.log_determinant,
        chi_squared=math.fsum(w * r * r for w, r in zip(all_weights, [*residuals, *off], strict=True)),
        degrees_of_freedom=len(all_weights) - len(step.parameters),
    )


def _volume_ml(at: tuple[float, float, float], trial: Trial) -> float:
    """The law without its stop at zero, so that a bad guess can find its way back."""
    return at[0] * (1.0 - at[2] * trial.others_a) * (trial.on_s - at[1])


def _require_flow(flow_ml_s: float) -> None:
    if not flow_ml_s > 0.0:
        raise Refused(
            rule="flow",
            reason=f"longer runs did not deliver more (the flow comes out at {flow_ml_s:.3g} mL/s).",
            remedy="Look for exchanged masses, a kinked tube or an empty container, then repeat the trials.",
        )
