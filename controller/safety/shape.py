"""What is wrong with runs and hand steps as such, whatever the machine is doing."""

import math
from collections.abc import Iterable, Iterator

from controller.model.messages import Refusal
from controller.model.plan import PlannedRun, Segment
from controller.model.profile import Profile
from controller.model.states import OperationKind
from controller.safety.input_rules import refuse

FIRST_START_S = 1.0  # a segment begins when it is asked to: later first starts are no plan


def no_windows(request: str, kind: OperationKind, runs: Iterable[PlannedRun]) -> Iterator[Refusal]:
    """Only what is poured for a guest is trimmed."""
    if kind is not OperationKind.SERVE and any(run.has_window for run in runs):
        yield refuse(request, "plan", f"the runs of a {kind} have no windows.", remedy="Leave them out.")


def hand_step(request: str, segment: Segment, profile: Profile) -> Iterator[Refusal]:
    """A hand step may take as long as the cap allows."""
    cap_s = profile.caps.hand_step_s
    if segment.within_s is not None and not 0 < segment.within_s <= cap_s:
        yield Refusal(
            request=request,
            rule="hand_step",
            reason=f'the hand step "{segment.hand}" may take {segment.within_s:g} s, the cap is {cap_s:g} s.',
            asked=f"{segment.within_s:g} s",
            allowed=f"{cap_s:g} s",
            remedy="Give it less time in the book.",
        )


def runs_shape(request: str, segment: Segment, profile: Profile) -> Iterator[Refusal]:
    """What is wrong with the runs of one segment as such."""
    known = {line.line for line in profile.lines}
    ends: dict[int, float] = {}
    for run in sorted(segment.runs, key=lambda run: (run.start_s, run.line)):
        figures = (run.start_s, run.duration_s, run.volume_ml, run.least_s, run.most_s)
        if not all(map(math.isfinite, figures)) or run.start_s < 0 or run.duration_s <= 0 or run.volume_ml < 0:
            yield refuse(
                request,
                "plan",
                f"line {run.line}: start {run.start_s!r} s, duration {run.duration_s!r} s and volume "
                f"{run.volume_ml!r} mL must be finite; start and volume not negative, duration above 0.",
            )
            continue
        if not 0 < run.least_s <= run.duration_s <= run.most_s:
            window = f"their window, {run.least_s:.3f} s to {run.most_s:.3f} s"
            yield refuse(request, "plan", f"line {run.line}: {run.duration_s:.3f} s lie outside {window}.")
        if run.line not in known:
            yield refuse(request, "plan", f"the profile has no line {run.line}.", allowed=", ".join(map(str, known)))
        if run.start_s < ends.get(run.line, 0.0) - 1e-9:
            yield refuse(request, "plan", f"two runs of line {run.line} overlap at {run.start_s:.3f} s.")
        ends[run.line] = max(ends.get(run.line, 0.0), run.start_s + run.most_s)
    first_s = min((run.start_s for run in segment.runs), default=0.0)
    if first_s > FIRST_START_S:
        reason = f"the first run would start after {first_s:.3g} s."
        yield refuse(request, "plan", reason, allowed=f"{FIRST_START_S:g} s", remedy="Ask when it is to begin.")
