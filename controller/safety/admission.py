"""Whether a request may be granted: shape, machine, lines, caps. Every reason against it is named at once."""

import dataclasses
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.labels import label_in
from controller.model.messages import InputReport, Refusal
from controller.model.plan import CONSENT_S, Operation, PlannedRun
from controller.model.profile import Profile
from controller.model.states import Contents, OperationKind
from controller.safety.caps import violations
from controller.safety.case import Case, PastUse, Proposal, timeline
from controller.safety.contents import ALLOWED, NEXT_STEP
from controller.safety.figures import Figures
from controller.safety.glass import UNSEEN
from controller.safety.input_rules import blocked, refuse, vessel, weighed_glass
from controller.safety.memory import credited_s
from controller.safety.records import LineState, Memory, Moment
from controller.safety.shape import hand_step, no_windows, runs_shape
from controller.safety.standing import matching
from controller.safety.vessel import Vessel, before, counts

MAX_RUNS = 256  # per operation; keeps the work for one message bounded
MAX_ID = 80
PRESSED_S = 5.0  # from the start button to the plan that it begins, on a slow computer; no source
NEEDS_JUG = frozenset({OperationKind.PRIME, OperationKind.PURGE, OperationKind.CLEAN, OperationKind.RINSE})
DRAWS_FROM_CONTAINER = frozenset({OperationKind.SERVE, OperationKind.PRIME, OperationKind.TRIAL})


@dataclass(frozen=True, kw_only=True)
class Situation:
    """What the guard knows at the moment of a request."""

    profile: Profile
    book: Book
    memory: Memory
    inputs: InputReport
    now_s: float
    wall_s: float
    jug_ml: float = 0.0  # room in the confirmed jug
    is_fresh: bool = False  # whether what stood under the outlet is gone
    pressed_for_s: float | None = None  # since the start button was pressed last
    stands_for_s: float | None = None  # since when the glass that was set down stands there; None when nobody saw that
    is_weighed: bool = False  # whether a scale that can be believed carries it
    load_g: float | None = None  # what it weighs, once it holds still

    @property
    def credited_s(self) -> float:
        """The credited clock."""
        return credited_s(self.memory, self.now_s)

    @property
    def moment(self) -> Moment:
        """This instant, as records of lines keep it."""
        return Moment(credited_s=self.credited_s, wall_s=self.wall_s)

    def figures(self) -> Figures:
        """The guard's own figures with the calibrations that fit the lines' liquids."""
        return Figures(profile=self.profile, calibrations=calibrations(self.memory))

    def state(self, line: int) -> LineState:
        """What is remembered of this line."""
        return self.memory.line(line)

    def strength(self, line: int) -> float:
        """Alcohol by volume, as a fraction, of the strongest that a line may pour, whatever a plan calls it.

        What hangs there and what stands in the tube count; one that the book does not know counts as pure.
        """
        state = next((one for one in self.memory.lines if one.line == line), None)
        if state is None:
            return 1.0
        known = {liquid.liquid: liquid.abv_percent / 100 for liquid in self.book.liquids}
        return max((known.get(name, 1.0) for name in (state.assigned, state.holds) if name is not None), default=0.0)


def calibrations(memory: Memory) -> Mapping[int, Calibration]:
    """The calibration of each line with the liquid assigned to it."""
    liquids = {state.line: state.assigned for state in memory.lines}
    return {one.line: one for one in memory.calibrations if liquids.get(one.line) == one.liquid}


def start(operation: Operation, now: Situation) -> list[Refusal]:
    """Everything that speaks against starting this operation."""
    malformed = list(_shape(operation, now))
    if malformed:
        return malformed
    refusals = [*_machine(operation, now), *_lines(operation, now)]
    return refusals + violations(case_of(operation, now))


def judge(operation: Operation, now: Situation) -> list[Refusal]:
    """What shape and caps say of this operation by itself: on an empty glass, with nothing poured before it."""
    return list(_shape(operation, now)) or violations(dataclasses.replace(case_of(operation, now), history=PastUse()))


def case_of(operation: Operation, now: Situation) -> Case:
    """The operation as the caps see it before it has begun."""
    asked = Proposal(
        operation=operation,
        runs=timeline(operation),
        planned=timeline(operation, as_planned=True),
        strengths={line: now.strength(line) for line in operation.lines},
        now_s=now.credited_s,
        takes_ml=sum(segment.takes_ml for segment in operation.segments),
    )
    memory = now.memory
    history = PastUse(
        servings=memory.servings,
        on_times=memory.on_times,
        last_serving_s=memory.last_serving_s,
        in_glass=before(Vessel() if now.is_fresh and operation.rest_of is None else memory.vessel, operation),
        taken_ml=0.0 if operation.rest_of is None else (memory.glass or UNSEEN).takes_ml,
        jug_ml=now.jug_ml,
        brim_ml=_least_brim_ml(operation, now),
    )
    return Case(asked=asked, figures=now.figures(), book=now.book, history=history)


def _least_brim_ml(operation: Operation, now: Situation) -> float:
    """The brim of the smallest glass that may stand there by its weight, beside the one that was named."""
    if not now.is_weighed or now.load_g is None or operation.rest_of is not None:
        return math.inf
    return min((glass.brim_ml for glass in matching(now.book, now.load_g)), default=math.inf)


def _shape(operation: Operation, now: Situation) -> Iterator[Refusal]:
    request = operation.operation
    runs = [run for segment in operation.segments for run in segment.runs]
    if not 0 < len(request) <= MAX_ID:
        yield refuse(request[:MAX_ID], "plan", f"an operation's id has 1 to {MAX_ID} characters.")
    if request in now.memory.seen:
        yield refuse(request, "repeated", f"operation {request} has already been asked for.", remedy="Use a new id.")
    if not 0 < len(runs) <= MAX_RUNS:
        yield refuse(request, "plan", f"an operation has 1 to {MAX_RUNS} runs, this one has {len(runs)}.")
        return
    for segment in operation.segments:
        if not (math.isfinite(segment.takes_ml) and segment.takes_ml >= 0):
            yield refuse(request, "plan", "what a hand step takes must be finite and not negative.")
        yield from hand_step(request, segment, now.profile)
        yield from runs_shape(request, segment, now.profile)
    yield from no_windows(request, operation.kind, runs)
    unknown = sorted(set(operation.standby) - {line.line for line in now.profile.lines})
    if unknown:
        yield refuse(request, "plan", f"the profile has no line {unknown[0]}.")
    elif operation.standby and operation.kind is not OperationKind.SERVE:
        yield refuse(request, "plan", f"no line takes over in a {operation.kind}.", remedy="Name none.")


def _machine(operation: Operation, now: Situation) -> Iterator[Refusal]:
    request, kind = operation.operation, operation.kind
    if kind in NEEDS_JUG and not operation.jug:
        yield refuse(
            request,
            "jug",
            f"{kind} needs a person to confirm that a jug stands under the outlet.",
            remedy="Put a jug there and confirm it.",
        )
    elif counts(operation) and now.memory.funnel_chemical:
        reason = "cleaner has run through the funnel, and no rinse has followed it."
        yield refuse(request, "funnel", reason, remedy="Rinse a line that was cleaned, to its end.")
    yield from blocked(request, now.inputs)
    if kind is not OperationKind.SERVE:
        return
    yield from vessel(request, now.inputs)
    yield from _fresh_glass(operation, now)
    if now.is_weighed and operation.rest_of is None:
        yield from weighed_glass(operation, now.book, now.load_g)
    if operation.consent == "guest":
        yield from _guests_consent(operation, now)
    elif operation.consent == "button" and (now.pressed_for_s is None or now.pressed_for_s > PRESSED_S):
        reason = f"the start button was not pressed within the last {PRESSED_S:g} s."
        yield refuse(request, "consent", reason, remedy="Press it again.")


def _fresh_glass(operation: Operation, now: Situation) -> Iterator[Refusal]:
    """An empty glass must stand there, or for the rest of a serving the one that it was poured into."""
    request, memory = operation.operation, now.memory
    glass = memory.glass or UNSEEN
    if operation.rest_of is not None and operation.rest_of != glass.serving:
        reason = f"{operation.rest_of} is not the serving that was poured last."
        yield refuse(request, "rest", reason, allowed=str(glass.serving), remedy="Pour the drink anew.")
    if memory.last_ended is not None and memory.last_ended.operation == operation.rest_of:
        return  # nothing else has run into it since
    if now.profile.inputs.glass is None and now.profile.scale is None:
        if operation.rest_of is None and not operation.empty_glass:
            reason = "nobody has said that an empty glass stands under the outlet, and no contact can tell."
            yield refuse(request, "fresh_glass", reason, remedy="Look, set an empty glass there and say so.")
    elif not memory.is_glass_fresh:
        reason = "the glass of the last pour has not been lifted since, or was put back."
        yield refuse(request, "fresh_glass", reason, remedy="Take the finished glass and set an empty one down.")


def _guests_consent(operation: Operation, now: Situation) -> Iterator[Refusal]:
    """A guest's own phone may say that the glass stands there where the profile allows it, and never to alcohol."""
    request, remedy = operation.operation, "Let the operator or the start button begin it."
    if not now.profile.inputs.guests_may_consent:
        yield refuse(request, "consent", "the profile does not let guests begin a pour.", remedy=remedy)
    strong = sorted(line for line in operation.lines if now.strength(line) > 0)
    if strong:
        reason = f"line {strong[0]} may hold alcohol, to which no guest's phone consents."
        yield refuse(request, "consent", reason, remedy=remedy)
    if not now.memory.is_glass_fresh or now.stands_for_s is None or now.stands_for_s > CONSENT_S:
        reason = f"no fresh glass was seen to be set down within the last {CONSENT_S:g} s."
        yield refuse(request, "consent", reason, remedy="Lift the glass, set it down again and say so at once.")


def _lines(operation: Operation, now: Situation) -> Iterator[Refusal]:
    for line in sorted(operation.lines):
        runs = [run for segment in operation.segments for run in segment.runs if run.line == line]
        yield from _line(operation, now.state(line), runs, now)
    for line in sorted(operation.standby):
        yield from _standby(operation, now.state(line), now)


def _standby(operation: Operation, state: LineState, now: Situation) -> Iterator[Refusal]:
    """Only what is the same liquid by every book takes over: strength, allergens and care."""
    runs = [run for segment in operation.segments for run in segment.runs]
    alike = sorted({run.line for run in runs if run.liquid == state.assigned} - {state.line})
    if not alike:
        reason = f"line {state.line} carries {state.assigned}, of which this serving has none."
        yield refuse(operation.operation, "standby", reason, remedy="Leave the line out.")
    for line in alike:
        if _said_of(state, now.book) != _said_of(now.state(line), now.book):
            reason = (
                f"the books differ in what they have said of {state.assigned} on lines {line} and {state.line}: "
                "strength, allergens or care."
            )
            yield refuse(operation.operation, "standby", reason, remedy="Leave the line out.")


def _said_of(state: LineState, book: Book) -> set[tuple[float, tuple[str, ...], str | None]]:
    """What books have said of the liquid that hangs there, since it was hung and since the tube was filled."""
    labels = (label_in(book, state.assigned), state.container, state.tube)
    return {(one.abv_percent, one.allergens, one.care) for one in labels if one is not None}


def _line(operation: Operation, state: LineState, runs: list[PlannedRun], now: Situation) -> Iterator[Refusal]:
    request, kind = operation.operation, operation.kind
    where = f"line {state.line}"
    if kind not in ALLOWED[state.contents]:
        allowed = ", ".join(sorted(ALLOWED[state.contents]))
        what = f"{where} holds {_words(state)}: {kind} is not allowed from there."
        yield refuse(request, "contents", what, asked=str(kind), allowed=allowed, remedy=NEXT_STEP[state.contents])
        return  # what else the line would need depends on what is done first
    if kind in DRAWS_FROM_CONTAINER:
        yield from _liquid(request, state, runs, now.book)
        if state.line in now.inputs.low_lines:
            yield refuse(request, "level", f"the container on {where} is low.", remedy="Hang a full container on it.")
    is_as_assigned = state.contents is not Contents.LIQUID or state.holds == state.assigned
    if kind is OperationKind.PRIME or (kind is OperationKind.SERVE and is_as_assigned):
        yield from _clean_enough(request, state, now)
    if kind in (OperationKind.SERVE, OperationKind.TRIAL) and state.contents is Contents.LIQUID:
        yield from _is_assigned(request, state)
    if kind is OperationKind.SERVE:
        yield from _fresh(request, state, now)
    if kind is OperationKind.RINSE:
        yield from _soaked(request, state, now)


def _words(state: LineState) -> str:
    if state.contents is Contents.EMPTY:
        return "nothing"
    if state.contents is Contents.UNKNOWN:
        return "something unknown"
    return f"{state.holds}" if state.contents is Contents.LIQUID else str(state.contents)


def _liquid(request: str, state: LineState, runs: list[PlannedRun], book: Book) -> Iterator[Refusal]:
    if state.assigned is None:
        yield refuse(request, "liquid", f"no liquid is assigned to line {state.line}.", remedy="Assign one.")
        return
    if state.assigned not in {one.liquid for one in book.liquids}:
        reason = f"the book has no {state.assigned}, which is on line {state.line}: its strength is not known."
        yield refuse(request, "liquid", reason, remedy="Put it into the book, or hang something else there.")
    for asked in sorted({run.liquid for run in runs} - {state.assigned}):
        yield refuse(
            request,
            "liquid",
            f"the plan wants {asked} from line {state.line}, which carries {state.assigned}.",
            asked=asked,
            allowed=state.assigned,
            remedy="Plan again, or assign the line anew.",
        )


def _is_assigned(request: str, state: LineState) -> Iterator[Refusal]:
    if state.holds != state.assigned:
        yield refuse(
            request,
            "contents",
            f"the tube of line {state.line} still holds {state.holds}, its container is {state.assigned}.",
            asked=str(state.assigned),
            allowed=str(state.holds),
            remedy=NEXT_STEP[Contents.LIQUID],
        )


def _clean_enough(request: str, state: LineState, now: Situation) -> Iterator[Refusal]:
    """Another liquid needs purge and rinse, another allergen or an unknown past needs cleaning.

    A line that is filled is asked again: the book may know by now of an allergen in what was there before.
    """
    own = _allergens(now.book, state.assigned)
    foreign = sorted(set(state.traces) - set(own))
    if state.doubtful or foreign:
        why = f"traces of {', '.join(foreign)} may be in it" if foreign else "what has been in it is not known"
        yield refuse(
            request,
            "cleaning",
            f"line {state.line} must be cleaned before {state.assigned} comes from it: {why}.",
            remedy="Purge, clean and rinse the line.",
        )
    others = sorted(set(state.residues) - {state.assigned})
    if others:
        yield refuse(
            request,
            "rinsing",
            f"line {state.line} must be rinsed before {state.assigned} comes from it: it was wetted by "
            f"{', '.join(others)}.",
            remedy="Purge and rinse the line.",
        )


def _allergens(book: Book, liquid: str | None) -> tuple[str, ...]:
    return next((one.allergens for one in book.liquids if one.liquid == liquid), ())


def _fresh(request: str, state: LineState, now: Situation) -> Iterator[Refusal]:
    life_s = next((one.opened_life_s for one in now.book.liquids if one.liquid == state.holds), None)
    since = [moment for moment in (state.opened, state.filled) if moment is not None]
    if life_s is None or not since or state.contents is not Contents.LIQUID:
        return
    age_s = max(moment.age_s(now.moment) for moment in since)
    if age_s > life_s:
        yield refuse(
            request,
            "freshness",
            f"{state.holds} on line {state.line} was opened {age_s / 3600:.1f} h ago, it keeps {life_s / 3600:.1f} h.",
            asked=f"{age_s / 3600:.1f} h",
            allowed=f"{life_s / 3600:.1f} h",
            remedy="Purge the line, hang a fresh container, rinse and prime.",
        )


def _soaked(request: str, state: LineState, now: Situation) -> Iterator[Refusal]:
    contact_s = now.profile.hygiene.cleaner_contact_s
    if state.contents is not Contents.CLEANER or state.soaked_s is None:
        return
    passed_s = now.credited_s - state.soaked_s
    if passed_s < contact_s:
        yield refuse(
            request,
            "cleaner_contact",
            f"the cleaner stood in line {state.line} for {passed_s / 60:.1f} min, it needs {contact_s / 60:.1f} min.",
            asked=f"{passed_s / 60:.1f} min",
            allowed=f"{contact_s / 60:.1f} min",
            remedy=f"Rinse in {(contact_s - passed_s) / 60:.1f} min.",
        )
