"""From what somebody asks for to doses in mL: options, strength, size, and doses too small to be exact.

What is changed on the way is said in words; nothing is changed that the recipe does not allow.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from msgspec.structs import replace

from controller.engine.names import as_listed
from controller.errors import Refused
from controller.metering.calibration import law_of
from controller.metering.dose import smallest_dose_ml
from controller.metering.mixture import Mixture, mix
from controller.model.book import Book, Recipe
from controller.model.calibration import Calibration
from controller.model.doses import Resolved, poured_ml, resolve, varied
from controller.model.requests import PourRequest
from controller.model.sums import summed

SURELY_DOSED_ML = 25.0  # the smallest dose is looked for below this; where there is none, this is it
ROUNDS = 5  # each gains a factor of twenty and more

Smallest = Callable[[str], float | None]  # liquid -> the smallest dose that its line meters, None when not known


@dataclass(frozen=True, kw_only=True)
class ScaledServing:
    """What is to be poured: phases in mL, the glass, how many singles it comes to, and what was changed."""

    recipe: str
    glass: str
    phases: tuple[Resolved, ...]
    times: float
    changes: tuple[str, ...] = ()
    last_alone: bool = False

    @property
    def needed_ml(self) -> dict[str, float]:
        """Liquid -> mL."""
        return summed(dose for phase in self.phases for dose in phase.doses)

    def allergens(self, book: Book) -> set[str]:
        """Of its liquids."""
        return {one for liquid in self.needed_ml for one in book.liquid(liquid).allergens}

    def mixture(self, book: Book) -> Mixture:
        """What is in the glass at the end."""
        return mix([(book.liquid(liquid), volume_ml) for liquid, volume_ml in self.needed_ml.items()])


def serving(request: PourRequest, recipe: Recipe, book: Book, smallest: Smallest) -> ScaledServing:
    """The doses of a request. Refused when it asks for what the recipe does not allow, or for too small a dose."""
    _require_one_size(request)
    glass = as_listed("glass", request.glass or recipe.glass, (one.glass for one in book.glasses))
    wanted, changes = _with_options(request, recipe)
    phases = tuple(map(_merged, resolve(wanted, book)))
    if request.abv_percent is not None:
        phases, said = _to_strength(phases, book, request.abv_percent)
        changes = [*changes, said]
    single_ml = poured_ml(phases)
    times = _times(request, glass, phases, book)
    phases = tuple(_times_over(phase, times) for phase in phases)
    phases, said_of_small = _without_small(phases, wanted, smallest)
    return ScaledServing(
        recipe=recipe.recipe,
        glass=glass,
        phases=phases,
        times=times if single_ml > 0 else 1.0,
        changes=(*changes, *said_of_small),
        last_alone=recipe.last_alone if request.last_alone is None else request.last_alone,
    )


@lru_cache(maxsize=64)
def smallest_reliable_ml(calibration: Calibration) -> float:
    """The smallest dose (mL) of this line that stays inside the serving-measure tolerance, as do all up to 25 mL."""
    return smallest_dose_ml(law_of(calibration), up_to_ml=SURELY_DOSED_ML) or SURELY_DOSED_ML


def _require_one_size(request: PourRequest) -> None:
    if request.times is not None and request.volume_ml is not None:
        raise Refused(
            rule="scaling",
            reason=f"{request.times:g} times and {request.volume_ml:g} mL both say how much.",
            remedy="Give one of the two.",
        )


# --- options


def _with_options(request: PourRequest, recipe: Recipe) -> tuple[Recipe, list[str]]:
    doses = [dose for phase in recipe.phases for dose in phase.doses]
    liquids = dict.fromkeys(name for dose in doses for name in (dose.liquid, *dose.substitutes))
    without = [_of_recipe(name, liquids) for name in request.without]
    swaps = {_of_recipe(one.liquid, liquids): _of_recipe(one.by, liquids) for one in request.instead}
    for name in without:
        if not any(dose.optional for dose in doses if dose.liquid == name):
            _refuse_option(
                f"{recipe.recipe} cannot be had without {name}.", sorted({d.liquid for d in doses if d.optional})
            )
    for liquid, by in swaps.items():
        if liquid in without or not any(by in dose.substitutes for dose in doses if dose.liquid == liquid):
            pairs = sorted({f"{other} for {dose.liquid}" for dose in doses for other in dose.substitutes})
            _refuse_option(f"{recipe.recipe} cannot be had with {by} instead of {liquid}.", pairs)
    changes = [f"{name} is left out, as asked." for name in without]
    changes += [f"{by} stands in for {liquid}, as asked." for liquid, by in swaps.items()]
    return varied(recipe, without, swaps), changes


def _of_recipe(typed: str, liquids: Iterable[str]) -> str:
    """A liquid as the recipe writes it; as typed when it has none such, which is then refused with what it allows."""
    return next((name for name in liquids if name.casefold() == typed.casefold()), typed)


def _refuse_option(reason: str, allowed: Sequence[str]) -> None:
    remedy = f"It allows: {', '.join(allowed)}." if allowed else "The recipe allows nothing of the kind."
    raise Refused(rule="recipe", reason=reason, allowed=", ".join(allowed), remedy=remedy)


def _merged(phase: Resolved) -> Resolved:
    """Doses of one liquid in one phase as one dose."""
    return replace(phase, doses=tuple(summed(phase.doses).items()))


# --- strength and size


def _to_strength(phases: tuple[Resolved, ...], book: Book, abv_percent: float) -> tuple[tuple[Resolved, ...], str]:
    """The same volume with other shares of what is stronger than asked and of all the rest."""
    total_ml = poured_ml(phases)
    strong = {one.liquid for one in book.liquids if one.abv_percent > abv_percent}
    strong_ml = sum(ml for phase in phases for liquid, ml in phase.doses if liquid in strong)
    rest_ml = total_ml - strong_ml
    if strong_ml <= 0 or rest_ml <= 0:
        raise Refused(
            rule="scaling",
            reason=f"everything in this drink has {'less' if strong_ml <= 0 else 'more'} than {abv_percent:g} % vol: "
            "no shares of it come to that.",
            remedy="Ask for another strength, or take another recipe.",
        )

    def with_share(share: float) -> tuple[Resolved, ...]:
        of_strong, of_rest = share * total_ml / strong_ml, (1.0 - share) * total_ml / rest_ml
        return tuple(
            replace(
                phase,
                doses=tuple((liquid, ml * (of_strong if liquid in strong else of_rest)) for liquid, ml in phase.doses),
            )
            for phase in phases
        )

    def strength(share: float) -> float:
        doses = [(book.liquid(liquid), ml) for phase in with_share(share) for liquid, ml in phase.doses]
        return mix(doses).abv_percent

    share = strong_ml / total_ml
    before, slope = strength(share), strength(1.0) - strength(0.0)
    for _ in range(ROUNDS):  # strength goes nearly in a straight line with the share
        share = min(1.0, max(0.0, share + (abv_percent - strength(share)) / slope))
    return with_share(share), f"{abv_percent:g} % vol instead of {before:.1f} % vol, as asked."


def _times(request: PourRequest, glass: str, phases: tuple[Resolved, ...], book: Book) -> float:
    single_ml = poured_ml(phases)
    if request.times is not None:
        return request.times
    if request.volume_ml is not None:
        return request.volume_ml / single_ml
    if request.glass is None:
        return 1.0
    room_ml = book.glass(glass).usable_ml - sum(phase.takes_ml for phase in phases)
    if room_ml <= 0:
        raise Refused(
            rule="glass",
            reason=f"what is put into the {glass} by hand leaves no room for the drink.",
            remedy="Take a larger glass.",
        )
    return room_ml / single_ml


def _times_over(phase: Resolved, times: float) -> Resolved:
    return replace(phase, doses=tuple((liquid, volume_ml * times) for liquid, volume_ml in phase.doses))


# --- doses too small to be exact


def _without_small(
    phases: tuple[Resolved, ...], recipe: Recipe, smallest: Smallest
) -> tuple[tuple[Resolved, ...], list[str]]:
    """Every dose at least as large as its line can meter; Refused, naming all, where the recipe allows nothing else."""
    rules = _rules(recipe)
    kept, changes, refused = [], [], []
    for phase in phases:
        doses = []
        for liquid, volume_ml in phase.doses:
            least_ml = smallest(liquid)
            if least_ml is None or volume_ml >= least_ml:
                doses.append((liquid, volume_ml))
                continue
            small = f"{volume_ml:.1f} mL of {liquid} are less than the {least_ml:.1f} mL that its line meters"
            match rules[liquid]:
                case "round_up":
                    doses.append((liquid, least_ml))
                    changes.append(f"{small}: rounded up to that.")
                case "leave_out":
                    changes.append(f"{small}: left out.")
                case "refuse":
                    refused.append(small)
        if doses or phase.hand is not None:
            kept.append(replace(phase, doses=tuple(doses)))
    if refused:
        raise Refused(
            rule="smallest_dose",
            reason="; ".join(refused) + ".",
            remedy="Ask for more of the drink, or calibrate the line with more trials.",
        )
    if not any(phase.doses for phase in kept):
        raise Refused(rule="smallest_dose", reason="nothing is left to pour.", remedy="Ask for more of the drink.")
    return tuple(kept), changes


def _rules(recipe: Recipe) -> Mapping[str, str]:
    """Liquid -> what to do when its dose is too small; the strictest of its doses counts."""
    found: dict[str, str] = {}
    strictness = ("leave_out", "round_up", "refuse")
    for dose in (dose for phase in recipe.phases for dose in phase.doses):
        found[dose.liquid] = max(found.get(dose.liquid, "leave_out"), dose.too_small, key=strictness.index)
    return found
