"""How an operation begins: on record first, then asked of the guard."""

from collections.abc import Callable, Sequence

import msgspec

from controller.clock import Clock
from controller.engine.commissioning import Commissioning
from controller.engine.guard_mirror import GuardMirror
from controller.engine.scaling import ScaledServing
from controller.engine.tracking import Tracking
from controller.errors import Refused
from controller.ledger.records import Intent
from controller.ledger.store import Ledger
from controller.model.fields import like
from controller.model.messages import ConfirmJug, Refusal
from controller.model.plan import Consent, Operation, PlannedRun, Segment
from controller.model.profile import Profile
from controller.model.requests import PourRequest
from controller.model.states import OperationKind
from controller.model.views import Asked
from controller.sequencing.line_runs import longest_s
from controller.sequencing.plan import Plan

NOTHING = "nothing"  # what hangs on a line of which nobody has said anything


class OperationStart:
    """Begins operations, and knows what hangs on which line."""

    def __init__(
        self,
        profile: Profile,
        ledger: Ledger,
        clock: Clock,
        mirror: GuardMirror,
        commissioning: Commissioning,
        *,
        new_id: Callable[[], str],
    ) -> None:
        self._profile, self._ledger, self._clock = profile, ledger, clock
        self._mirror, self._commissioning, self._new_id = mirror, commissioning, new_id

    def runs(
        self,
        kind: OperationKind,
        runs: Sequence[PlannedRun],
        *,
        jug: bool,
        jug_ml: float | None = None,
        in_air: bool = False,
    ) -> Asked:
        """Begin an operation of one segment that is no serving; Refused for a line that is out of service.

        jug: a person says that an empty one stands there, which takes jug_ml (mL), by default what the profile says.
        """
        if kind is not OperationKind.JOG:
            self._commissioning.require_in_service(run.line for run in runs)
        if jug:
            confirmed = ConfirmJug(volume_ml=self._profile.hygiene.jug_ml if jug_ml is None else jug_ml)
            self._mirror.ask(confirmed, "confirm_jug")
        segments = (Segment(runs=tuple(runs)),)
        asked = Operation(operation=self._new_id(), kind=kind, segments=segments, jug=jug, in_air=in_air)
        return self._begin(asked, Intent(operation=asked.operation, kind=kind, asked_wall_s=self._clock.wall_s()), None)

    def serving(self, served: ScaledServing, plan: Plan, request: PourRequest, consent: Consent) -> Asked:
        """Begin a serving; what was asked for goes on record with it."""
        name, kind = self._new_id(), OperationKind.SERVE
        asked = like(
            Operation, plan, served, request, operation=name, kind=kind, consent=consent, standby=_standby(plan)
        )
        now_s, members = self._clock.wall_s(), _members(request)
        intent = like(Intent, asked, served, request, asked_wall_s=now_s, request=members)
        return self._begin(asked, intent, plan)

    def refused(self, request: PourRequest, no: Refused) -> None:
        """Put on record that a drink was asked for and could not be had; its key may be used again."""
        operation = self._new_id()
        intent = Intent(
            operation=operation,
            kind=OperationKind.SERVE,
            asked_wall_s=self._clock.wall_s(),
            recipe=request.recipe,
            times=request.times or 1.0,
            request=_members(request),
        )
        self._ledger.refused(intent, Refusal.of(operation, no))

    def liquids(self, lines: Sequence[int]) -> dict[int, str]:
        """Line -> the liquid that hangs there, by the guard's report, else by the container on record."""
        for line in lines:
            self.require_line(line)
        containers, reports = self._ledger.containers(), self._mirror.lines()
        found = {}
        for line in lines:
            liquid = reports[line].liquid if line in reports else None
            if liquid is None and line in containers:
                liquid = containers[line].liquid
            found[line] = liquid or NOTHING
        return found

    def require_line(self, line: int) -> None:
        """Refused when the machine has no such line."""
        known = [one.line for one in self._profile.lines]
        if line not in known:
            raise Refused(
                rule="line",
                reason=f"the machine has no line {line}.",
                remedy=f"It has lines {', '.join(map(str, known))}.",
            )

    def _begin(self, asked: Operation, intent: Intent, plan: Plan | None) -> Asked:
        self._ledger.begin(intent)
        self._mirror.begin(
            Tracking(
                asked=asked,
                wanted=() if plan is None else plan.wanted,
                times=intent.times,
                planned_s=sum(longest_s(segment.runs) for segment in asked.segments),
                calibrations=self._mirror.calibrations() if plan is None else plan.calibrations,
                sources={} if plan is None else plan.sources,
                profile=self._profile,
                intent=intent,
            )
        )
        return Asked(operation=asked.operation)


def _standby(plan: Plan) -> tuple[int, ...]:
    """Twins that the plan does without: they pour if another line runs dry."""
    planned = {run.line for segment in plan.segments for run in segment.runs}
    return tuple(sorted({one.line for twins in plan.sources.values() for one in twins} - planned))


def _members(request: PourRequest) -> str:
    """What was asked for as JSON, without what is on record already or left as it is: cards wear by what is written."""
    plain = PourRequest(recipe=request.recipe)
    said = {
        name: getattr(request, name)
        for name in request.__struct_fields__
        if name not in ("key", "rest_of", "empty_glass") and getattr(request, name) != getattr(plain, name)
    }
    return msgspec.json.encode({"recipe": request.recipe} | said).decode() if said else ""
