"""What the engine answers: values of its HTTP interface, which the command line draws."""

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from controller.model.calibration import Calibration
from controller.model.fields import Value
from controller.model.labels import GlassSize
from controller.model.messages import InputReport, Refusal, ScaleReport, Waiting
from controller.model.plan import Segment
from controller.model.remark import Remark
from controller.model.states import Contents, MachineState, OperationKind, Outcome
from controller.model.weighing import Budget, Doubt, FitRemark, WeighedDose, WeighedServing

Times = Annotated[float, Meta(gt=0, le=20)]
Key = Annotated[str, Meta(min_length=1, max_length=80)]


class Swap(Value, frozen=True, kw_only=True):
    """One liquid in the place of another."""

    liquid: str
    by: str


class Offer(Value, frozen=True, kw_only=True):
    """How a recipe can be had although something is missing: without these liquids, with others instead."""

    without: tuple[str, ...] = ()
    instead: tuple[Swap, ...] = ()


class MenuDose(Value, frozen=True, kw_only=True):
    """One dose of a single."""

    liquid: str
    volume_ml: float


class MenuPhase(Value, frozen=True, kw_only=True):
    """One phase of a single: doses that are poured together, or a hand step."""

    doses: tuple[MenuDose, ...] = ()
    hand: str | None = None


class MenuEntry(Value, frozen=True, kw_only=True):
    """One recipe: what it is, and whether it can be poured now. `missing` says why not, one sentence each.

    Figures are of a single, without ice and what melts of it. Standard drinks inform, they allow nothing.
    """

    recipe: str
    glass: str
    volume_ml: float  # poured liquid, ice left out
    abv_percent: float
    ethanol_g: float
    allergens: tuple[str, ...]
    seconds: float | None  # pumps' time; None when it cannot be planned
    missing: tuple[str, ...]
    liquids: tuple[str, ...] = ()
    may_contain: tuple[str, ...] = ()  # other allergens on the machine: all lines share one funnel
    standard_drinks: float | None = None  # None where the profile names no country
    standard_drink: str | None = None  # whose
    optional: tuple[str, ...] = ()  # liquids that it may be asked for without
    substitutes: tuple[Swap, ...] = ()  # that it may be asked for with
    absent: tuple[str, ...] = ()  # of its liquids, those that hang on no line
    offer: Offer | None = None  # how it can be had now, when something is missing
    phases: tuple[MenuPhase, ...] = ()


class PlanView(Value, frozen=True, kw_only=True):
    """The plan of a serving, with what limits it. Traces are (s, value) steps over all segments end to end."""

    recipe: str
    times: float
    glass: str
    segments: tuple[Segment, ...]
    makespan_s: float
    one_at_a_time_s: float
    lower_bound_s: float
    proven: bool  # that no shorter plan exists
    binding: str  # the limit that keeps it from being shorter
    too_slow: str  # why it exceeds the cap on a serving's time and what would help; "" when it keeps to it
    current_limit_a: float
    flow_limit_ml_s: float
    current_a: tuple[tuple[float, float], ...]
    flow_ml_s: tuple[tuple[float, float], ...]
    refused: tuple[Refusal, ...] = ()  # the caps by which the guard would refuse it, on an empty glass
    within_ml: dict[int, float] = msgspec.field(
        default_factory=dict
    )  # line -> how far its doses may be off when they are weighed (k = 2)
    changes: tuple[str, ...] = ()  # what of the recipe is left out, replaced or rounded, a sentence each
    volume_ml: float = 0.0  # poured
    abv_percent: float = 0.0
    ethanol_g: float = 0.0
    last_alone_s: float | None = None  # how much longer it takes since its last line pours alone, if it does


class LineProgress(Value, frozen=True, kw_only=True):
    """One line within an operation; delivered_ml is worked out from switching times."""

    line: int
    liquid: str
    asked_ml: float
    delivered_ml: float
    is_on: bool
    at_most: bool = False  # delivered_ml is the most it can have been; how much it was nobody knows
    weighed: WeighedDose | None = None  # what it became by weight, once that is known


class OperationView(Value, frozen=True, kw_only=True):
    """One operation: asked, then admitted or refused by the guard, under way, over (`outcome` is then set)."""

    operation: str
    kind: OperationKind
    recipe: str | None
    times: float
    admitted: bool
    refused: tuple[Refusal, ...]
    waiting_for: str | None
    outcome: Outcome | None
    reason: str
    lines: tuple[LineProgress, ...]
    elapsed_s: float
    planned_s: float
    asked_wall_s: float | None = None
    changes: tuple[str, ...] = ()  # what of the recipe was left out, replaced or rounded
    rest_of: str | None = None  # the operation of which this one pours what was still owed
    afterwards: tuple[str, ...] = ()  # hand steps when all is poured; nothing waits for them
    weighed: WeighedServing | None = None  # None where nothing could be weighed
    unweighed: str = ""  # why a serving was not weighed though there is a scale, a sentence
    waiting: Waiting | None = None
    cause: str = ""  # the reason as a word, of an operation since the engine started


Due = Literal[
    "", "guard", "wiring", "assign", "foreign", "care", "calibrate", "drift", "prime", "unknown", "rinse"
]  # what a line needs next


class LineName(Value, frozen=True, kw_only=True):
    """A line and the liquid that hangs there, None for none."""

    line: int
    liquid: str | None


class LineView(LineName, frozen=True, kw_only=True):
    """One line as people see it."""

    contents: Contents
    holds: str | None
    remaining_ml: float | None
    calibration: Calibration | None
    note: str  # what to do next with it, "" when it is ready
    due: Due = ""  # the same as a word
    reasons: tuple[Remark, ...] = ()  # why it needs care, or what is wrong with what hangs there


class Names(Value, frozen=True, kw_only=True):
    """What can be named in a request: the book's recipes, glasses and liquids, the machine's lines."""

    recipes: tuple[str, ...] = ()
    glasses: tuple[str, ...] = ()
    liquids: tuple[str, ...] = ()
    lines: tuple[LineName, ...] = ()


class Status(Value, frozen=True, kw_only=True):
    """The machine at a glance. `state` is None while the guard cannot be reached."""

    machine: str
    book: str
    guard_connected: bool
    state: MachineState | None
    fault: str | None
    operation: OperationView | None
    lines: tuple[LineView, ...]
    inputs: InputReport | None
    next_step: str = ""  # the command that brings the machine on while it rests
    doubts: tuple[str, ...] = ()  # why stock and history are not certain, since the engine started
    scale: ScaleReport | None = None  # None where the machine has none


class LargerGlass(GlassSize, frozen=True, kw_only=True):
    """A glass that the book has larger than before. It counts as the smaller one until a person confirms it."""

    counted: GlassSize


class BookView(Value, frozen=True, kw_only=True):
    """The book that was read again and is in force, and what is worth a look."""

    book: str
    liquids: int
    glasses: int
    recipes: int
    warnings: tuple[str, ...]
    larger_glasses: tuple[LargerGlass, ...] = ()  # what a person is asked about


class JogView(Value, frozen=True, kw_only=True):
    """The latest answer about one line; is_right is None when nobody has answered yet."""

    line: int
    channel: int
    gpio: int
    rotation: str
    is_right: bool | None
    remark: str
    wall_s: float | None


class SagView(Value, frozen=True, kw_only=True):
    """How much the flow falls per ampere that other pumps draw; it is now part of these lines' calibrations."""

    lines: tuple[int, ...]
    grams: float
    expected_grams: float  # had every line run alone
    sag_per_a: float
    u_sag_per_a: float
    warnings: tuple[str, ...]


class SpotCheckView(Value, frozen=True, kw_only=True):
    """How a line's spot checks since its calibration look.

    status: "in control", "flagged", "blocked for small doses", or "another liquid" when the calibration is of another
    one; factor is then the ratio of the flows, with its standard uncertainty, and what the tube lets one expect.
    """

    line: int
    liquid: str
    status: str
    checks: int
    expected_ml: float
    volume_ml: float
    error_percent: float
    cusum: float  # the larger of the two sums, in standard deviations
    reasons: tuple[str, ...]
    factor: float | None = None
    u_factor: float | None = None
    expected_factor: float | None = None
    u_expected_factor: float | None = None
    adopted: bool = False
    blocks_small_doses: bool = False


class TrialView(Value, frozen=True, kw_only=True):
    """One weighed trial and how far it lies from the fit."""

    operation: str
    on_s: float
    grams: float
    volume_ml: float
    others_a: float
    residual_ml: float | None
    state: Literal["counts", "left out", "struck"] = "counts"  # left out: the others do not bear it out


class DoseError(Value, frozen=True, kw_only=True):
    """What to expect of one dose: 95 % interval half-width and the legal tolerance."""

    dose_ml: float
    run_s: float
    u95_ml: float
    tolerance_ml: float


class FitView(Value, frozen=True, kw_only=True):
    """The calibration of one line as it stands, before or after it was accepted."""

    line: int
    liquid: str
    density_kg_m3: float
    trials: tuple[TrialView, ...]
    calibration: Calibration | None  # None until there are enough trials
    scatter_ml: float | None  # run to run
    smallest_dose_ml: float | None  # that stays inside the tolerance
    doses: tuple[DoseError, ...]
    warnings: tuple[FitRemark, ...]
    next_on_s: float | None  # the run time that would help most; None when enough is known
    design: str = ""  # before the first trial: which runs reach the legal tolerance with the least liquid, and why
    behind: tuple[TrialView, ...] = ()  # while no new trial is open: those that the calibration was accepted from
    doubts: tuple[Doubt, ...] = ()  # reasons that ask for a second yes
    budget: Budget | None = None  # None without trials behind the calibration
    next_grams: float | None = None  # what that run should weigh, roughly
    scale: str = ""  # what a person weighs with, as the profile has it


class Asked(Value, frozen=True, kw_only=True):
    """The answer to a request that began an operation."""

    operation: str
