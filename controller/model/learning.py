"""What weighed servings have taught, as it is kept and shown."""

from controller.model.fields import Value


class LearnedLine(Value, frozen=True, kw_only=True):
    """Which line and calibration the four states from `first` on belong to, how warm its motor was (0 to 1), and when
    it ran last.
    """

    line: int
    liquid: str
    taken_wall_s: float
    first: int
    warmth: float
    ran_wall_s: float


class LearnedState(Value, frozen=True, kw_only=True):
    """The estimator between two servings.

    covariance: its rows up to the diagonal, one after the other, as little-endian 32-bit floats: cards wear by what is
    written.
    """

    at_wall_s: float
    lines: tuple[LearnedLine, ...]
    mean: tuple[float, ...]
    covariance: bytes


class LearnedPoint(Value, frozen=True, kw_only=True):
    """What one weighed serving said of a line.

    flow_ml_s: as it was known afterwards, with its standard uncertainty. deviations: how far the weighed volume lay
    from what was expected before, in standard deviations.
    """

    line: int
    wall_s: float
    operation: str
    flow_ml_s: float
    u_flow_ml_s: float
    asked_ml: float
    weighed_ml: float
    u_weighed_ml: float
    deviations: float
