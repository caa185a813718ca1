"""One pump on for a time, as the scheduler sees it."""

from controller.model.calibration import Calibration
from controller.model.profile import Profile
from controller.sequencing.schedule_loads import Run


def run_of(profile: Profile, line: int, duration_s: float, flow_ml_s: float, phase: int = 0) -> Run:
    """A line on for so long (s), with the currents of its pump."""
    pump = profile.line(line).pump
    return Run(
        line=line,
        duration_s=duration_s,
        current_a=pump.run_a,
        inrush_a=pump.inrush_a,
        inrush_s=pump.inrush_s,
        flow_ml_s=flow_ml_s,
        phase=phase,
    )


def serving_run(profile: Profile, calibration: Calibration, duration_s: float, phase: int = 0) -> Run:
    """The same in a serving: the guard counts a pump by the upper edge of its band, or by a calibration above it."""
    most_ml_s = max(profile.flow_band(calibration.line).most_ml_s, calibration.flow_ml_s)
    return run_of(profile, calibration.line, duration_s, most_ml_s, phase)
