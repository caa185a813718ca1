"""Plans: the runs of one operation with their start times."""

from typing import Literal

from controller.model.fields import Value
from controller.model.states import OperationKind

# Who says that the glass stands there and the pour may begin.
Consent = Literal["operator", "button", "guest"]
CONSENT_S = 15.0  # after a fresh glass was set down, for a guest's own phone


class PlannedRun(Value, frozen=True, kw_only=True):
    """One line on, from start_s (s after the segment's start) for duration_s, to deliver volume_ml of liquid.

    shortest_s, longest_s: its window, in servings only: how far a Trim may move its end. Without them it has none.
    """

    line: int
    liquid: str
    start_s: float
    duration_s: float
    volume_ml: float
    shortest_s: float | None = None
    longest_s: float | None = None

    @property
    def has_window(self) -> bool:
        """Whether its end may be moved."""
        return self.shortest_s is not None or self.longest_s is not None

    @property
    def least_s(self) -> float:
        """How long it is on at the least."""
        return self.duration_s if self.shortest_s is None else self.shortest_s

    @property
    def most_s(self) -> float:
        """How long it is on at the most."""
        return self.duration_s if self.longest_s is None else self.longest_s


class Interval(Value, frozen=True, kw_only=True):
    """One line on from start_s to end_s (s, of any common clock or origin); end_s is infinite while it is on."""

    line: int
    start_s: float
    end_s: float

    @property
    def on_s(self) -> float:
        """How long (s)."""
        return self.end_s - self.start_s


class Segment(Value, frozen=True, kw_only=True):
    """Runs between two waits for a person. `hand` is the step to confirm before them, if any."""

    runs: tuple[PlannedRun, ...]
    hand: str | None = None
    takes_ml: float = 0.0  # room that the hand step takes in the glass
    within_s: float | None = None  # how long the hand step may take; None: as long as any hold


class Operation(Value, frozen=True, kw_only=True):
    """What the engine asks the guard to do.

    `glass` and `recipe` are set for a serving. `jug`: pour into the jug that a person has confirmed (ConfirmJug), which
    prime, purge, clean and rinse require; without it everything counts as poured into a glass. `in_air`: the suction
    tubes of a purge hang in air; without it a purge counts as drawing from the containers. `empty_glass`: a person has
    seen an empty glass there, which a serving requires where there is no glass contact. `rest_of`: the serving, ended
    early, of which this one is the rest, into the same glass. `consent`: by whose word it begins; a guest's own phone
    counts where the profile says so, to drinks without alcohol, just after a fresh glass was set down. `standby`:
    lines without a run of their own that hold a liquid of this serving, and may pour what a line that has run dry owes.
    """

    operation: str
    kind: OperationKind
    segments: tuple[Segment, ...]
    recipe: str | None = None
    glass: str | None = None
    jug: bool = False
    in_air: bool = False
    empty_glass: bool = False
    rest_of: str | None = None
    consent: Consent = "operator"
    standby: tuple[int, ...] = ()

    @property
    def lines(self) -> frozenset[int]:
        """All that may run."""
        return frozenset(run.line for segment in self.segments for run in segment.runs).union(self.standby)
