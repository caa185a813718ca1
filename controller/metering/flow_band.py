"""The flow that a commissioned pump states in the profile: narrow, and yet wide enough for all that changes it."""

from controller.model.calibration import Calibration
from controller.model.profile import FlowBand

# Besides what the calibration does not know for certain. Common practice, no source: another liquid, a few degrees and
# the wear between two commissionings change a flow by some per cent; other pumps' current takes as much again from it.
ABOVE, BELOW = 0.06, 0.12
COVERAGE = 2.0  # standard uncertainties


def commissioned(calibration: Calibration) -> FlowBand:
    """The band to state for a pump that was calibrated so (mL/s)."""
    doubt_ml_s = COVERAGE * calibration.u_flow_ml_s
    return FlowBand(
        least_ml_s=(calibration.flow_ml_s - doubt_ml_s) * (1 - BELOW),
        most_ml_s=(calibration.flow_ml_s + doubt_ml_s) * (1 + ABOVE),
    )


def as_written(band: FlowBand) -> str:
    """The band as it stands in a profile, rounded outwards to whole mL/min."""
    return f"flow: {{least: {int(band.least_ml_s * 60)} mL/min, most: {int(band.most_ml_s * 60) + 1} mL/min}}"
