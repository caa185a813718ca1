"""A line's calibration with one liquid."""

from controller.model.fields import Value


class Calibration(Value, frozen=True, kw_only=True):
    """volume = flow_ml_s * (1 - sag_per_a * others_a) * (on_s - lag_s).

    others_a is the current that the other running pumps draw (A, steady). lag_s may be negative: a pump that coasts
    longer than it takes to start delivers more than its on-time suggests.
    """

    line: int
    liquid: str
    flow_ml_s: float
    lag_s: float
    u_flow_ml_s: float  # standard uncertainties
    u_lag_s: float
    cov_flow_lag: float  # mL, covariance of flow and lag
    sag_per_a: float = 0.0  # 1/A
    u_sag_per_a: float = 0.0
    scatter_ml: float = 0.0  # one run's standard deviation: hypot(scatter_ml, scatter_fraction * volume)
    scatter_fraction: float = 0.0
    scatter_dof: float = 0.0  # degrees of freedom behind it; 0: not known
    weighing_share: float = 0.0  # of the uncertainties above, explained by the weighing
    u_common: float = 0.0  # relative, of all volumes together: scale factor, density; part of u_flow_ml_s
    taken_wall_s: float = 0.0  # Unix seconds
    taken_by: str = ""
    temperature_c: float | None = None  # of liquid and room, when somebody wrote it down
    note: str = ""  # how it was taken: "7 trials, bench scale"
