"""A plan whose ends may be moved: each run gets a window, and every limit holds with all runs at their longest.

It is planned with flows and lags as bad as they may well be; the starts and the longest ends come from that plan, so
that whoever checks it at its longest ends finds nothing amiss. The planned end is then where the dose should be
complete. A dose that comes faster than planned may end so much sooner as one that comes slower may end later.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from msgspec import structs

from controller.metering.calibration import run_time_s
from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.model.plan import PlannedRun
from controller.model.profile import Profile
from controller.sequencing.plan import Plan, plan_serving
from controller.sequencing.twins import Sources

COVERED = 2.5  # standard uncertainties that a window covers: 99 of 100 doses
MOST_OFF = 0.1  # of a flow: one that is known less well than that is weighed alone first
LEAST_EARLIER_S = 0.1  # by which an end may always be moved forward
LEAST_RUN_S = 0.05
LOOK_S = 0.4  # before the first start, in which the empty glass is weighed at full pace
APART_S = 0.3  # between starts, so that the weight tells a line that does not flow from the others


def plan_weighed(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    sources: Sources,
    phases: Sequence[Resolved],
) -> Plan:
    """The serving planned as by `plan_serving`, with windows for a trim. Raises what that does."""
    slow = {line: _slow(one) for line, one in calibrations.items()}
    gap_s = max(APART_S, profile.caps.start_gap_s)
    spaced = structs.replace(profile, caps=structs.replace(profile.caps, start_gap_s=gap_s))
    plan = plan_serving(spaced, slow, sources, phases)
    segments = tuple(
        structs.replace(
            segment, runs=tuple(_window(run, slow[run.line], calibrations[run.line]) for run in segment.runs)
        )
        for segment in plan.segments
    )
    waited = structs.replace(segments[0], runs=tuple(map(_after_look, segments[0].runs)))
    return replace(plan, segments=(waited, *segments[1:]), calibrations=calibrations)


def _after_look(run: PlannedRun) -> PlannedRun:
    return structs.replace(run, start_s=run.start_s + LOOK_S)


def _slow(one: Calibration) -> Calibration:
    """The same line when its flow is low and its lag long."""
    off = COVERED * math.hypot(one.u_flow_ml_s / one.flow_ml_s, one.scatter_fraction)
    later_s = COVERED * math.hypot(one.u_lag_s, one.scatter_ml / one.flow_ml_s)
    return structs.replace(one, flow_ml_s=(1.0 - min(MOST_OFF, off)) * one.flow_ml_s, lag_s=one.lag_s + later_s)


def _window(run: PlannedRun, slow: Calibration, usual: Calibration) -> PlannedRun:
    """The run with its planned end where the usual flow completes it, in the same company."""
    longest_s = run.duration_s
    company = (longest_s - slow.lag_s) / (run_time_s(slow, run.volume_ml) - slow.lag_s)  # above 1 with sag
    duration_s = usual.lag_s + company * (run_time_s(usual, run.volume_ml) - usual.lag_s)
    duration_s = min(longest_s, max(LEAST_RUN_S, duration_s))
    shortest_s = duration_s - max(LEAST_EARLIER_S, longest_s - duration_s)
    return structs.replace(run, duration_s=duration_s, shortest_s=max(LEAST_RUN_S, shortest_s), longest_s=longest_s)
