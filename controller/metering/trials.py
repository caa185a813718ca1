"""What a calibration starts from: weighed trials, and what is known before any."""

from controller.errors import require_in_range, require_positive
from controller.model.fields import Value


class Trial(Value, frozen=True):
    """One weighed run of one line.

    on_s: relay on-time (s, > 0). volume_ml: what came (mL, >= 0). u_volume_ml: standard uncertainty of that volume as a
    measurement (mL, > 0): scale, density, temperature; the pump's own scatter is left out, the fit finds it. others_a:
    current of the other pumps that ran all the while (A, >= 0). OutOfRange by name.
    """

    on_s: float
    volume_ml: float
    u_volume_ml: float
    others_a: float = 0.0

    def __post_init__(self) -> None:
        require_positive("on_s", self.on_s, "s")
        require_in_range("volume_ml", self.volume_ml, 0.0, 50_000.0, "mL")
        require_positive("u_volume_ml", self.u_volume_ml, "mL")
        require_in_range("others_a", self.others_a, 0.0, 100.0, "A")


class Prior(Value, frozen=True, kw_only=True):
    """What is believed before the trials: of lag and sag always, of flow only when u_flow_ml_s is given.

    The defaults are those of small brushed peristaltic pumps on a relay: common practice, no source. A pool of fitted
    lines (`controller.metering.pool`) gives better ones. Scatter: standard deviation from run to run of a volume V is
    hypot(scatter_ml, scatter_fraction V), known as well as scatter_dof residuals would tell it.
    """

    lag_s: float = 0.05
    u_lag_s: float = 0.2
    sag_per_a: float = 0.02
    u_sag_per_a: float = 0.02
    flow_ml_s: float | None = None
    u_flow_ml_s: float | None = None
    scatter_ml: float = 0.1
    scatter_fraction: float = 0.005
    scatter_dof: float = 4.0

    def __post_init__(self) -> None:
        require_in_range("lag_s", self.lag_s, -10.0, 10.0, "s")
        require_positive("u_lag_s", self.u_lag_s, "s")
        require_in_range("sag_per_a", self.sag_per_a, -1.0, 1.0, "1/A")
        require_positive("u_sag_per_a", self.u_sag_per_a, "1/A")
        if self.flow_ml_s is not None and self.u_flow_ml_s is not None:
            require_positive("flow_ml_s", self.flow_ml_s, "mL/s")
            require_positive("u_flow_ml_s", self.u_flow_ml_s, "mL/s")
        require_positive("scatter_ml", self.scatter_ml, "mL")
        require_positive("scatter_fraction", self.scatter_fraction, "")
        require_positive("scatter_dof", self.scatter_dof, "")


DEFAULT_PRIOR = Prior()
