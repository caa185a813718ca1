"""Servings drawn for the machine with eight lines: profile, calibrations, lines and phases."""

import random

import msgspec

from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.model.profile import Profile
from tests.shipped import shipped

PROFILE, BOOK = shipped("eight_line", "harvest_supper")


def calibration(line: int, liquid: str, rng: random.Random, nominal_ml_s: float) -> Calibration:
    """A pump within a fifth of its nominal flow."""
    return Calibration(
        line=line,
        liquid=liquid,
        flow_ml_s=nominal_ml_s * rng.uniform(0.8, 1.2),
        lag_s=rng.uniform(-0.05, 0.15),
        u_flow_ml_s=0.01,
        u_lag_s=0.01,
        cov_flow_lag=0.0,
        sag_per_a=rng.choice((0.0, rng.uniform(0.0, 0.05))),
    )


def serving(
    rng: random.Random, count: int = 8
) -> tuple[Profile, dict[int, Calibration], dict[str, int], tuple[Resolved, ...]]:
    """A serving of `count` liquids in one phase or two, on a machine whose limits leave room for two to five pumps."""
    caps = msgspec.structs.replace(
        PROFILE.caps,
        current_a=round(rng.uniform(2.0, 4.0), 1),
        concurrent=rng.randint(2, 6),
        serving_time_s=rng.uniform(10.0, 60.0),
    )
    profile = msgspec.structs.replace(PROFILE, caps=caps)
    names = {f"liquid {line.line}": line for line in profile.lines[:count]}
    known = {line.line: calibration(line.line, name, rng, line.pump.nominal_flow_ml_s) for name, line in names.items()}
    doses = [(name, rng.uniform(5.0, 60.0)) for name in names]
    split = rng.choice((count, count, count // 2))
    parts = [part for part in (doses[:split], doses[split:]) if part]
    phases = tuple(Resolved(doses=tuple(part), hand=None, takes_ml=0.0) for part in parts)
    return profile, known, {name: line.line for name, line in names.items()}, phases
