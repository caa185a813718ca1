"""Drinks: what the menu offers, what a request comes to, and whether it can be poured now."""

import dataclasses
from collections import Counter
from collections.abc import Mapping, Sequence

import msgspec
from msgspec.structs import replace

from controller.engine import views
from controller.engine.common import Common
from controller.engine.hygiene import LineHygiene
from controller.engine.menu import Menu, Shelf, calibrations, missing, on_the_machine, sources_for, too_large
from controller.engine.names import as_listed
from controller.engine.operation_start import NOTHING
from controller.engine.ordering.agreed import differences
from controller.engine.scaling import ScaledServing, serving, smallest_reliable_ml
from controller.engine.spot_checks import SpotChecks
from controller.engine.stock import Stock
from controller.engine.tracking import LEAST_OWED_ML
from controller.engine.verdicts import Verdicts
from controller.errors import Refused
from controller.ledger.orders import Drink
from controller.ledger.records import Entry
from controller.model.book import Dose, Phase, Recipe
from controller.model.doses import Resolved, poured_ml
from controller.model.fields import like
from controller.model.messages import LineReport, Refusal
from controller.model.orders import Difference
from controller.model.plan import Consent, Segment
from controller.model.remark import Remark
from controller.model.requests import FreeDose, PourRequest
from controller.model.states import OperationKind, Outcome
from controller.model.sums import summed
from controller.model.views import Asked, MenuEntry, PlanView
from controller.sequencing.binding import binding_limit, too_slow
from controller.sequencing.plan import Plan, plan_serving
from controller.sequencing.windows import plan_weighed

# Rules by which a drink of the menu could not be had, as against requests that make no sense.
ON_RECORD = frozenset({"readiness", "assignment", "calibration", "smallest_dose", "drift"})


class Pouring:
    """Plans servings and begins them."""

    def __init__(self, common: Common, stock: Stock, hygiene: LineHygiene, spot_checks: SpotChecks) -> None:
        self._profile, self._book, self._ledger = common.profile, common.strict, common.ledger
        self._mirror, self._work, self._learning = common.mirror, common.work, common.learning
        self._commissioning, self._operation_start = common.commissioning, common.operation_start
        self._stock, self._hygiene, self._spot_checks = stock, hygiene, spot_checks
        self._menu, self.verdicts = Menu(common.profile, common.strict, common.work), Verdicts(common.mirror)

    def menu(self) -> tuple[MenuEntry, ...]:
        """Every recipe, and why it cannot be poured where it cannot."""
        return self._menu.entries(self._shelf(None), self._refusals)

    def _refusals(self, glass: str, segments: Sequence[Segment]) -> tuple[Refusal, ...]:
        """What a pour of this plan would be refused for, whenever it is asked for."""
        drift: tuple[Refusal, ...] = ()
        try:
            self._spot_checks.require_small_doses_allowed(_of_lines(segments), self._mirror.calibrations())
        except Refused as no:
            drift = (Refusal.of("plan", no),)
        return drift + self.verdicts.of(glass, segments)

    def blocked(self) -> dict[int, tuple[Remark, ...]]:
        """Line -> why it may not serve any more."""
        overdue, disputed = self._hygiene.overdue(), self._stock.disputed()
        return {line: disputed.get(line, ()) + overdue.get(line, ()) for line in overdue.keys() | disputed.keys()}

    def plan(self, request: PourRequest) -> PlanView:
        """The plan of a serving, whether or not the machine could pour it this minute."""
        served, planned = self._planned(request)
        calibrations = self._mirror.calibrations()
        binding = self._work(binding_limit, self._profile, calibrations, planned)
        slow = self._work(too_slow, self._profile, calibrations, planned)
        return views.plan(
            self._profile,
            served,
            planned,
            served.mixture(self._book),
            binding=binding,
            too_slow=slow,
            refused=self._refusals(served.glass, planned.segments),
            within_ml=self._learning.foreseen_within_ml(planned.segments, self._work),
            last_alone_s=self._last_alone_s(request, served, planned),
        )

    def _last_alone_s(self, request: PourRequest, served: ScaledServing, planned: Plan) -> float | None:
        """What it costs that the last line pours alone, s; None where it does not."""
        if not (served.last_alone and self._learning.is_weighing):
            return None
        return planned.makespan_s - self._planned(replace(request, last_alone=False))[1].makespan_s

    def drink(self, request: PourRequest) -> Drink:
        """What an order of this comes to. Refused when it could not be poured, whatever stands under the outlet."""
        served, planned = self._planned(request)
        refused = self._refusals(served.glass, planned.segments)
        if refused:
            raise refused[0].error()
        return self._drink(served, planned.makespan_s)

    def changed(self, request: PourRequest, agreed: Drink) -> tuple[Difference, ...]:
        """What is no longer as it was when this was ordered."""
        try:
            return differences(self._drink(self._serving(request), agreed.seconds), agreed)
        except Refused as no:
            return (Difference(about="gone", what=no.reason),)

    def _drink(self, served: ScaledServing, seconds: float) -> Drink:
        mixture, allergens = served.mixture(self._book), served.allergens(self._book)
        return like(
            Drink,
            served,
            mixture,
            volume_ml=mixture.poured_ml,
            seconds=seconds,
            doses_ml=served.needed_ml,
            allergens=tuple(sorted(allergens)),
            may_contain=tuple(sorted(on_the_machine(self._book, self._shelf(None)) - allergens)),
            ahead=tuple(one.hand for one in served.phases if one.hand is not None),
        )

    def lacks(self, needs: Sequence[Mapping[str, float]]) -> tuple[tuple[Remark, ...], ...]:
        """Why each of these (liquid -> mL) could not be drawn now; nothing when it could."""
        shelf, found = self._shelf(None), dict[frozenset[tuple[str, float]], tuple[Remark, ...]]()
        for one in needs:  # many want the same drink
            if (key := frozenset(one.items())) not in found:
                found[key] = missing(one, shelf)
        return tuple(found[frozenset(one.items())] for one in needs)

    def pour(self, request: PourRequest, consent: Consent = "operator") -> Asked:
        """Pour a recipe. Repeated with the same key it answers with the operation that was begun before."""
        if request.key is not None:
            known = self._ledger.operation_of_key(request.key)
            if known is not None:
                return Asked(operation=known)
        self._mirror.require_ready()
        if not request.doses:
            request = replace(request, recipe=self._recipe(request.recipe).recipe)
        try:
            served, planned = self._pourable(request)
        except Refused as no:
            if no.rule in ON_RECORD:
                self._operation_start.refused(request, no)
            raise
        return self._operation_start.serving(served, planned, request, consent)

    def _pourable(self, request: PourRequest) -> tuple[ScaledServing, Plan]:
        """The request with its plan; Refused when the machine cannot do it now."""
        served, planned = self._planned(request)
        shelf = self._shelf(request)
        lacks = (*(one.text for one in missing(served.needed_ml, shelf)), *too_large(served, shelf))
        if lacks:
            raise Refused(
                rule="readiness",
                reason="; ".join(lacks) + ".",
                remedy="See tundish status for what each line needs, or pour something else from tundish menu.",
            )
        self._require_glass(request)
        self._spot_checks.require_small_doses_allowed(_of_lines(planned.segments), self._mirror.calibrations())
        return served, planned

    def _require_glass(self, request: PourRequest) -> None:
        """Refused unless an empty glass stands there, as far as is known; the guard decides."""
        report = self._mirror.report
        if report is None or request.rest_of is not None:
            return
        if report.inputs.fresh_glass is False:
            raise Refused(
                rule="fresh_glass",
                reason="the glass of the last pour has not been lifted since, or was put back.",
                remedy="Take the finished glass and set an empty one down.",
            )
        if report.inputs.glass_present is None and not request.empty_glass:
            raise Refused(
                rule="fresh_glass",
                reason="nobody has confirmed that an empty glass stands under the outlet, and no contact can see it.",
                remedy="Look, set an empty glass there and say so: tundish pour --empty-glass.",
            )

    # --- inside

    def _shelf(self, request: PourRequest | None) -> Shelf:
        """What the machine has; for a request that names lines, without the others of the same liquids."""
        report, reports = self._mirror.report, self._mirror.lines()
        named = {dose.line for dose in (request.doses if request else ()) if dose.line is not None}
        chosen = {reports[line].liquid for line in named if line in reports}
        return Shelf(
            reports={line: one for line, one in reports.items() if line in named or one.liquid not in chosen},
            containers=self._stock.containers(),
            overdue=self.blocked(),
            out_of_service=self._commissioning.out_of_service,
            least_ml=self._least_shares_ml(reports),
            low_lines=() if report is None else report.inputs.low_lines,
            glasses=() if report is None else report.glasses,
        )

    def _least_shares_ml(self, reports: Mapping[int, LineReport]) -> dict[int, float]:
        """Line -> the smallest share that it may have of a dose, for lines whose liquid hangs on another one, too."""
        hung = Counter(one.liquid for one in reports.values())
        twins = [one for one in calibrations(reports).values() if hung[one.liquid] > 1]
        return {one.line: self._spot_checks.least_share_ml(one) for one in twins}

    def _planned(self, request: PourRequest) -> tuple[ScaledServing, Plan]:
        served = self._rest(request) if request.rest_of is not None else self._serving(request)
        shelf = self._shelf(request)
        # A liquid on no line has no calibration either; the planner names all that lack something.
        sources = sources_for(served.needed_ml, shelf)
        known = self._learning.present(calibrations(shelf.reports))
        asked = (self._profile, known, sources, served.phases)
        if self._learning.is_weighing:
            apart = {"last_alone": served.last_alone, "unlearned": sorted(self._learning.unlearned)}
            return served, self._work(plan_weighed, *asked, **apart)
        return served, self._work(plan_serving, *asked)

    def _serving(self, request: PourRequest) -> ScaledServing:
        known = calibrations(self._mirror.lines())

        def smallest_ml(liquid: str) -> float | None:
            return min((smallest_reliable_ml(one) for one in known.values() if one.liquid == liquid), default=None)

        if request.doses:
            return serving(replace(request, glass=None), self._free_recipe(request), self._book, smallest_ml)
        return serving(request, self._recipe(request.recipe), self._book, smallest_ml)

    def _rest(self, request: PourRequest) -> ScaledServing:
        """What an ended serving still owes."""
        entry = self._require_rest(request)
        found = self._owed(entry)
        if not any(phase.doses for phase in found.phases):
            raise Refused(
                rule="rest",
                reason=f"operation {entry.operation} owes nothing that could be metered.",
                remedy="Serve it as it is.",
            )
        return found

    def _owed(self, entry: Entry) -> ScaledServing:
        """What was asked for, less what was delivered; that may itself have been the rest of another serving."""
        plain = PourRequest(recipe=entry.recipe or "")
        asked = msgspec.json.decode(entry.request, type=PourRequest) if entry.request else plain
        before = None if entry.rest_of is None else self._ledger.entry(entry.rest_of)
        whole = self._serving(asked) if before is None else self._owed(before)
        phases = owed(whole.phases, {one.liquid: one.delivered_ml for one in entry.deliveries})
        return dataclasses.replace(
            whole, phases=phases, times=whole.times * poured_ml(phases) / poured_ml(whole.phases)
        )

    def _require_rest(self, request: PourRequest) -> Entry:
        """The serving whose rest is asked for; Refused when it has none that is known."""
        entry = self._ledger.entry(request.rest_of or "")
        if entry is None or entry.kind is not OperationKind.SERVE:
            reason = f"operation {request.rest_of} is no serving."
        elif entry.recipe != request.recipe:
            reason = f"operation {entry.operation} poured {entry.recipe}, not {request.recipe}."
        elif entry.outcome not in (Outcome.STOPPED, Outcome.ABORTED, Outcome.FAULTED):
            reason = f"operation {entry.operation} did not end early: {entry.outcome or 'it is under way'}."
        elif self._ledger.past.is_rest_poured(entry.operation):
            reason = f"the rest of operation {entry.operation} was already poured."
        elif any(one.is_at_most for one in entry.deliveries):
            reason = f"how far operation {entry.operation} came is not known: a crash or a container that ran empty."
        elif not any(one.delivered_ml > 0 for one in entry.deliveries):
            reason = f"operation {entry.operation} poured nothing."
        else:
            return entry
        raise Refused(rule="rest", reason=reason, remedy="Pour the drink anew into an empty glass.")

    def _recipe(self, name: str) -> Recipe:
        return self._book.recipe(as_listed("recipe", name, (one.recipe for one in self._book.recipes)))

    def _free_recipe(self, request: PourRequest) -> Recipe:
        """The recipe of doses given on the spot, all poured together."""
        if request.glass is None:
            glasses = ", ".join(one.glass for one in self._book.glasses)
            raise Refused(
                rule="glass", reason="a free pour needs the glass that stands there.", remedy=f"Name one: {glasses}."
            )
        doses = tuple(Dose(liquid=self._liquid(dose), volume_ml=dose.volume_ml) for dose in request.doses)
        sources: dict[str, set[int]] = {}
        for dose, given in zip(doses, request.doses, strict=True):
            sources.setdefault(dose.liquid, set()).update(() if given.line is None else (given.line,))
        for liquid, lines in sources.items():
            if len(lines) > 1:
                raise Refused(
                    rule="line",
                    reason=f"lines {' and '.join(map(str, sorted(lines)))} all hold {liquid}; a drink draws a liquid "
                    "from one line.",
                    remedy="Name one of them.",
                )
        glass = as_listed("glass", request.glass, (one.glass for one in self._book.glasses))
        return Recipe(recipe=request.recipe, glass=glass, phases=(Phase(doses=doses),))

    def _liquid(self, dose: FreeDose) -> str:
        """The liquid of a dose as the book writes it, or what hangs on its line."""
        if (dose.liquid is None) == (dose.line is None):
            raise Refused(
                rule="dose", reason="a dose is of a liquid or from a line.", remedy="Name exactly one of the two."
            )
        if dose.liquid is not None:
            return as_listed("liquid", dose.liquid, (one.liquid for one in self._book.liquids))
        line = dose.line or 0
        liquid = self._operation_start.liquids((line,))[line]
        if liquid == NOTHING:
            raise Refused(
                rule="assignment",
                reason=f"nothing hangs on line {line}, as far as anybody has said.",
                remedy=f"Say what does: tundish assign {line} LIQUID CONTAINER",
            )
        return liquid


def _of_lines(segments: Sequence[Segment]) -> dict[int, float]:
    """Line -> mL of all its runs."""
    return summed((run.line, run.volume_ml) for segment in segments for run in segment.runs)


def owed(phases: tuple[Resolved, ...], delivered_ml: Mapping[str, float]) -> tuple[Resolved, ...]:
    """The phases that are still to come after so much (liquid -> mL) was delivered.

    What was delivered counts for the earliest doses; less than LEAST_OWED_ML counts as given. Hand steps before the
    last dose that was begun are done.
    """
    left, rest, last_begun = dict(delivered_ml), [], -1
    for number, phase in enumerate(phases):
        doses = []
        for liquid, volume_ml in phase.doses:
            given_ml = min(volume_ml, max(0.0, left.get(liquid, 0.0)))
            left[liquid] = left.get(liquid, 0.0) - given_ml
            last_begun = number if given_ml > 0 else last_begun
            if volume_ml - given_ml > LEAST_OWED_ML:
                doses.append((liquid, volume_ml - given_ml))
        rest.append(replace(phase, doses=tuple(doses)))
    return tuple(
        phase for number, phase in enumerate(rest) if phase.doses or (phase.hand is not None and number > last_begun)
    )
