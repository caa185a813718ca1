"""The book: liquids, glasses, recipes, and which liquid hangs on which line."""

from typing import Annotated, Literal
from zlib import crc32

import msgspec
from msgspec import Meta

from controller.model.fields import (
    Celsius,
    Count,
    KilogramsPerCubicMetre,
    LineNumber,
    Millilitres,
    MillilitresOrNone,
    MillipascalSeconds,
    Name,
    Percent,
    Seconds,
    Sentence,
    ShelfLife,
    Value,
    ranged,
)
from controller.model.ranges import CallTime, HandStepTime

# The fourteen groups of Regulation (EU) No 1169/2011, Annex II, shortened to one word or two each.
Allergen = Literal[
    "gluten", "crustaceans", "eggs", "fish", "peanuts", "soybeans", "milk", "nuts", "celery", "mustard", "sesame",
    "sulphites", "lupin", "molluscs",
]  # fmt: skip

# fmt: off
DensityError = Annotated[float, ranged("kg/m3", "1 kg/m3", above=True, high=200.0)]
BrixError = Annotated[float, ranged("%", "0.2 %", above=True, high=20.0)]
Weighed100 = Annotated[float, ranged("g", "104.2 g", low=50.0, high=200.0)]
Tare = Annotated[float, ranged("g", "210 g", low=5.0, high=5000.0)]
TareTolerance = Annotated[float, ranged("g", "10 g", low=1.0, high=100.0)]
# fmt: on

Parts = Annotated[float, Meta(gt=0, le=1000)]
Care = Literal["ordinary", "tea", "perishable"]


class Liquid(Value, frozen=True, kw_only=True):
    """What a container holds.

    Its density is taken from what was measured: density itself, a hydrometer's reading or what 100 mL weigh. Else it is
    worked out from Brix (a label, or a refractometer where there is no alcohol) and ABV. A liquid of which the book
    says nothing counts as water, and as not known.

    Attributes:
        density_kg_m3: at 20 C
        density_uncertainty_kg_m3: standard uncertainty of density, or of the hydrometer
        hydrometer_kg_m3: what a hydrometer shows, in place of density
        hydrometer_at_c: the liquid's temperature then
        weighed_100_ml_g: what 100 mL in a measuring cylinder weigh, in place of density
        brix: % sucrose by mass; 0 % for none
        brix_uncertainty_percent: standard uncertainty of brix
        abv_percent: % vol at 20 C
        viscosity_mpa_s: at 20 C
        opened_life_s: how long it keeps once opened
        carbonated: gas comes out of it in the tube: doses by time come short
        care: how soon its line wants cleaning: the profile's hygiene has a time for each
    """

    liquid: Name
    density_kg_m3: KilogramsPerCubicMetre | None = None
    density_uncertainty_kg_m3: DensityError | None = None
    hydrometer_kg_m3: KilogramsPerCubicMetre | None = None
    hydrometer_at_c: Celsius = 20.0
    weighed_100_ml_g: Weighed100 | None = None
    brix: Percent | None = None
    brix_uncertainty_percent: BrixError | None = None
    abv_percent: Percent = 0.0
    viscosity_mpa_s: MillipascalSeconds | None = None
    allergens: tuple[Allergen, ...] = ()
    opened_life_s: ShelfLife | None = None
    served_at_c: Celsius = 20.0
    carbonated: bool = False
    care: Care | None = None

    @property
    def line_care(self) -> Care:
        """The care of its line: as given, else ordinary for what has an opened life, and the strictest for the rest."""
        return self.care or ("ordinary" if self.opened_life_s is not None else "perishable")


class Glass(Value, frozen=True, kw_only=True):
    """A vessel: `brim_ml` to the rim, `usable_ml` as served, ice included.

    With a scale under it, tare_g is how the guard tells it from others and sees that it is empty.
    """

    glass: Name
    brim_ml: Millilitres
    usable_ml: Millilitres
    tare_g: Tare | None = None  # what it weighs when it is empty
    tare_tolerance_g: TareTolerance = 10.0  # by how much glasses of this kind differ from it


class Measure(Value, frozen=True, kw_only=True):
    """A house measure that recipes may use, such as a dash."""

    measure: Name
    volume_ml: Millilitres


class Dose(Value, frozen=True, kw_only=True):
    """A volume of one liquid; exactly one of volume_ml, parts, fill_to_ml is set.

    parts: this dose's share of what is left of the recipe's total after its absolute doses.
    fill_to_ml: fill until glass contents, earlier doses and ice included, reach this mark.
    A dose is left out or replaced only when whoever asks for the drink says so; one that a smaller drink makes too
    small to be exact is treated as `too_small` says, and the plan says so.

    Attributes:
        optional: the drink may be asked for without it
        substitutes: liquids that may be asked for instead of it, in the same volume
        too_small: when scaled below the line's smallest exact dose
    """

    liquid: Name
    volume_ml: Millilitres | None = None
    parts: Parts | None = None
    fill_to_ml: Millilitres | None = None
    optional: bool = False
    substitutes: tuple[Name, ...] = ()
    too_small: Literal["refuse", "round_up", "leave_out"] = "refuse"


class Phase(Value, frozen=True, kw_only=True):
    """Doses poured together, or one hand step that a person confirms; exactly one of the two is set.

    Attributes:
        order: must: poured after the phase before, once the funnel has settled; wish: they may pour together
        hand: "add ice"
        takes_ml: room that the hand step takes in the glass
        within_s: how long the hand step may take before the drink is given up
    """

    doses: tuple[Dose, ...] = ()
    order: Literal["must", "wish"] = "must"
    hand: Sentence | None = None
    takes_ml: MillilitresOrNone = 0.0
    within_s: HandStepTime | None = None


class Recipe(Value, frozen=True, kw_only=True):
    """A drink: glass and ordered phases. `total_ml` is what parts share out (default: the glass's usable volume).

    last_alone: where it is weighed, the largest dose of each phase is poured after all others, by itself: the scale
    then tells the lines apart, and doses come closer, for more time.
    """

    recipe: Name
    glass: Name
    phases: tuple[Phase, ...]
    total_ml: Millilitres | None = None
    last_alone: bool = False


class OnLine(Value, frozen=True, kw_only=True):
    """A container on a line when the book is first loaded; later changes are kept by the machine."""

    line: LineNumber
    liquid: Name
    container_ml: Millilitres


class House(Value, frozen=True, kw_only=True):
    """House rules for orders. The defaults are common practice, no source.

    Attributes:
        waiting: orders that may wait at once
        each_guest: of them, of one guest
        alcohol: nod: a guest's order with alcohol waits until the operator agrees
        call_lasts_s: how long a called order waits for its glass
        handling_s: between two pours: the glass is taken, the next one set down
    """

    waiting: Count = 20
    each_guest: Count = 2
    alcohol: Literal["nod", "free"] = "nod"
    call_lasts_s: CallTime = 120.0
    handling_s: Seconds = 25.0


class Book(Value, frozen=True, kw_only=True):
    """Everything that is poured, and into what."""

    title: Name
    liquids: tuple[Liquid, ...]
    glasses: tuple[Glass, ...]
    recipes: tuple[Recipe, ...]
    lines: tuple[OnLine, ...]
    measures: tuple[Measure, ...] = ()
    house: House = House()

    @property
    def mark(self) -> int:
        """A number that tells two readings of a book apart: CRC-32 of all its values, as read from JSON."""
        as_read = msgspec.json.decode(msgspec.json.encode(self), type=Book)
        return crc32(msgspec.json.encode(as_read))

    def liquid(self, name: str) -> Liquid:
        """The liquid of this name; KeyError when there is none."""
        return {one.liquid: one for one in self.liquids}[name]

    def glass(self, name: str) -> Glass:
        """The glass of this name; KeyError when there is none."""
        return {one.glass: one for one in self.glasses}[name]

    def recipe(self, name: str) -> Recipe:
        """The recipe of this name; KeyError when there is none."""
        return {one.recipe: one for one in self.recipes}[name]
