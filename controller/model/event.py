"""An event as its file has it: who comes when, what they drink, what is on sale, and how quick the hands are."""

from typing import Annotated, Literal

from msgspec import Meta

from controller.model.book import Parts
from controller.model.fields import (
    Count,
    Fraction,
    Millilitres,
    MillilitresOrNone,
    Name,
    PositiveSeconds,
    Seconds,
    Value,
)

DAY_S = 86_400.0
RESIDUE_ML = 20.0  # common practice, no source
TIME_OF_DAY = "^([01][0-9]|2[0-3]):[0-5][0-9]$"

TimeOfDay = Annotated[str, Meta(min_length=1, max_length=20, pattern=TIME_OF_DAY)]
Drinks = Annotated[float, Meta(gt=0, le=50)]
Unsure = Annotated[float, Meta(ge=0.0, le=1.0, extra={"unit": "", "example": "15 %"})]
ServiceLevel = Annotated[float, Meta(ge=0.5, le=0.999, extra={"unit": "", "example": "95 %"})]


class DrinksPerGuest(Value, frozen=True, kw_only=True):
    """How many drinks one guest takes over the event; guests decide independently of each other.

    fixed: the mean, where it is not whole the next whole numbers below and above it. poisson: now and then, on no
    plan. overdispersed: guests differ more than that (negative binomial); standard_deviation says by how much.

    Attributes:
        standard_deviation: of one guest's drinks, for overdispersed only
    """

    mean: Drinks
    distribution: Literal["fixed", "poisson", "overdispersed"] = "poisson"
    standard_deviation: Drinks | None = None


class MenuShare(Value, frozen=True, kw_only=True):
    """A recipe on the menu, and how often it is asked for beside the others."""

    recipe: Name
    weight: Parts


class Arrivals(Value, frozen=True, kw_only=True):
    """When drinks are asked for: evenly over the hours, or with a part of them within a peak.

    Attributes:
        peak_at: the middle of the peak, written as "16:30"
        peak_share: of all drinks
    """

    profile: Literal["even", "peak"] = "even"
    peak_at: TimeOfDay | None = None
    peak_lasts_s: PositiveSeconds | None = None
    peak_share: Fraction | None = None


class OnSale(Value, frozen=True, kw_only=True):
    """A container that this liquid can be bought in."""

    liquid: Name
    container_ml: Millilitres


class Handling(Value, frozen=True, kw_only=True):
    """How long a person takes. The defaults are common practice, no source: time yours.

    Attributes:
        order_s: set an empty glass under the funnel and ask for a drink
        hand_step_s: one hand step of a recipe
        take_s: from the last drop until the glass is off
        container_s: hang a fresh container and prime from it
        repair_s: find a fault and see to it
    """

    order_s: Seconds = 8.0
    hand_step_s: Seconds = 10.0
    take_s: Seconds = 4.0
    container_s: Seconds = 60.0
    repair_s: Seconds = 300.0


class GuestEvent(Value, frozen=True, kw_only=True):
    """An event: guests, hours, what they drink and how surely it is to last.

    Attributes:
        starts: written as "14:00", in quotes
        ends: not after starts: on the next day
        service_level: probability that a liquid lasts to the end
        mean_uncertainty: of all drinks: guests who come, and how many each takes
        menu_uncertainty: of each weight on the menu
        on_sale: a liquid not listed here comes in the container of the book's line
        lines: fixed: as the book hangs them; free: as opens most of the menu
        residue_ml: what suction tube or level contact leave in a container
    """

    title: Name
    guests: Count
    starts: TimeOfDay
    ends: TimeOfDay
    drinks_per_guest: DrinksPerGuest
    menu: tuple[MenuShare, ...]
    arrivals: Arrivals = Arrivals()
    service_level: ServiceLevel = 0.95
    # How well the figures above are known, as relative standard uncertainties; common practice for an event that was
    # held before, no source. 0 % says: exactly.
    mean_uncertainty: Unsure = 0.15
    menu_uncertainty: Unsure = 0.25
    on_sale: tuple[OnSale, ...] = ()
    lines: Literal["fixed", "free"] = "fixed"
    residue_ml: MillilitresOrNone = RESIDUE_ML
    handling: Handling = Handling()

    @property
    def opens_s(self) -> float:
        """The start, in s after midnight."""
        return seconds_of_day(self.starts)

    @property
    def lasts_s(self) -> float:
        """From start to end, s: more than 0, at most a day."""
        return seconds_between(self.starts, self.ends)

    @property
    def expected_drinks(self) -> float:
        """How many drinks to expect."""
        return self.guests * self.drinks_per_guest.mean

    def clock(self, passed_s: float) -> str:
        """The time of day ("16:30", rounded down) at so many seconds after the start."""
        minutes = int((self.opens_s + passed_s) // 60) % 1440
        return f"{minutes // 60:02d}:{minutes % 60:02d}"


def seconds_of_day(time: str) -> float:
    """ "16:30" in s after midnight; ValueError for anything else."""
    hours, minutes = time.split(":")
    return 3600.0 * int(hours) + 60.0 * int(minutes)


def seconds_between(first: str, then: str) -> float:
    """From one time of day to the next time that it is `then`, s: more than 0, at most a day."""
    return (seconds_of_day(then) - seconds_of_day(first)) % DAY_S or DAY_S
