"""What is said of weighings and of the fit that follows from them, beside the views."""

from typing import Annotated, Literal

from msgspec import Meta

from controller.model.fields import Value

# Standard uncertainty of the net mass, for a scale that reads itself; left out for the profile's weighing scale.
UncertainGrams = Annotated[float, Meta(gt=0, le=100)] | None


class WeighedServing(Value, frozen=True, kw_only=True):
    """What the scale says came into the glass of a serving. u_ml: standard uncertainty; None until it has settled."""

    grams: float
    volume_ml: float  # of the liquids as they were asked for, before they mix
    asked_ml: float
    u_ml: float | None = None


class WeighedDose(Value, frozen=True, kw_only=True):
    """What one line brought into a serving by weight, all its doses together; u_ml: standard uncertainty."""

    volume_ml: float
    u_ml: float


class StrikeRequest(Value, frozen=True, kw_only=True):
    """Strike an open trial, so that it does not count, or restore it; trial: as numbered from 1, None for all."""

    line: int
    trial: Annotated[int, Meta(ge=1)] | None = None
    struck: bool = True


class Doubt(Value, frozen=True, kw_only=True):
    """A reason not to put a fit in force without a second yes.

    about: "change" when it differs much from the last calibration or the pump's data, "dose" when no dose of the book
    would stay inside its tolerance, "trial" when a wild trial counts.
    """

    about: Literal["change", "dose", "trial"]
    text: str


class FitRemark(Value, frozen=True, kw_only=True):
    """Something to know of a fit, or to correct: a sentence with its numbers.

    about: masses exchanged between two trials, a wild trial, a flow that changes with the run time, a lag, a sag or a
    scatter that the trials do not tell, trials that agree too well, a lag or a sag unlike such machines, a trial that
    brought nothing, no fit at all, or servings that show another flow since.
    """

    about: Literal[
        "exchanged",
        "outlier",
        "bend",
        "lag",
        "sag",
        "scatter",
        "agreement",
        "odd_lag",
        "odd_sag",
        "dry",
        "none",
        "drift",
    ]
    text: str


class BudgetLine(Value, frozen=True, kw_only=True):
    """One contribution to the uncertainty of a dose (GUM: evaluated as type A or B), standard uncertainty in mL."""

    source: str
    evaluation: Literal["A", "B"]
    u_ml: float


class Budget(Value, frozen=True, kw_only=True):
    """How the uncertainty of a single dose comes about; U = k u, 95 %."""

    dose_ml: float
    lines: tuple[BudgetLine, ...]
    u_ml: float
    degrees_of_freedom: float
    k: float
