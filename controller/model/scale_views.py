"""What people ask of the scale under the glass, and the answers."""

from typing import Annotated, Literal

from msgspec import Meta

from controller.model.fields import Value
from controller.model.scale import Doubt, ScaleSetting

KnownMass = Annotated[float, Meta(gt=0, le=50_000)]  # g


class ZeroRequest(Value, frozen=True, kw_only=True):
    """The platform is empty. sure: also where the scale shows a load that its zero cannot have drifted by."""

    sure: bool = False


class SpanRequest(Value, frozen=True, kw_only=True):
    """A mass that is known stands on the platform: mass_g, give or take tolerance_g."""

    mass_g: KnownMass
    tolerance_g: Annotated[float, Meta(gt=0, le=1000)]


class SpanBudgetLine(Value, frozen=True, kw_only=True):
    """One contribution to the uncertainty of the span, as it shows in the mass it was found with (GUM: type A or B)."""

    source: str
    evaluation: Literal["A", "B"]
    u_g: float


class SpanView(Value, frozen=True, kw_only=True):
    """A span and how good it is. u_percent: standard uncertainty; 95 % of spans lie within twice that."""

    counts_per_g: float
    mass_g: float
    u_percent: float
    budget: tuple[SpanBudgetLine, ...]
    findings: tuple[str, ...] = ()


class ScaleView(Value, frozen=True, kw_only=True):
    """The scale now. load_g: mean of the last seconds, u_load_g its standard uncertainty where the span is known."""

    doubt: Doubt
    says: str  # the doubt in words
    setting: ScaleSetting
    capacity_g: float
    load_g: float | None = None
    u_load_g: float | None = None
    noise_g: float | None = None  # standard deviation of one reading
    readings_per_s: float = 0.0
    findings: tuple[str, ...] = ()  # what is wrong with it, each with what to do
