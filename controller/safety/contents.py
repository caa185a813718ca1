"""What a line holds, as literal tables: what may be pumped from which contents, and what that makes of them.

Wherever a doubt is left, the table takes the side that asks for more purging, rinsing or cleaning.
"""

from msgspec.structs import replace

from controller.model.labels import Label
from controller.model.states import Contents, OperationKind
from controller.safety.reading import both, cares_of
from controller.safety.records import LineState, Moment

K, C = OperationKind, Contents
SERVE, PRIME, PURGE, CLEAN, RINSE, TRIAL, JOG = K.SERVE, K.PRIME, K.PURGE, K.CLEAN, K.RINSE, K.TRIAL, K.JOG
EMPTY, LIQUID, CLEANER, RINSE_WATER, UNKNOWN = C.EMPTY, C.LIQUID, C.CLEANER, C.RINSE_WATER, C.UNKNOWN

# Which operations a line may take part in, by its contents. Further conditions are in `admission`: the liquid must be
# the assigned one, in date and so on.
ALLOWED: dict[Contents, frozenset[OperationKind]] = {
    EMPTY: frozenset({PRIME, PURGE, CLEAN, RINSE, JOG}),
    # Cleaner straight into a line full of syrup would be spent on the syrup: purge or rinse first.
    LIQUID: frozenset({SERVE, PRIME, PURGE, RINSE, TRIAL, JOG}),
    CLEANER: frozenset({RINSE}),
    RINSE_WATER: frozenset({PRIME, PURGE, CLEAN, RINSE, JOG}),
    UNKNOWN: frozenset({PURGE}),
}

# What to do from here to be able to serve.
NEXT_STEP: dict[Contents, str] = {
    EMPTY: "Prime the line.",
    LIQUID: "Purge, rinse and prime the line.",
    CLEANER: "Rinse the line.",
    RINSE_WATER: "Prime the line.",
    UNKNOWN: "Purge the line.",
}

# (operation, contents before) -> contents (while too little has moved, once enough has moved). "Enough" is one tube
# volume, for rinse the profile's number of tube volumes, always by the least volume the pump can have moved.
EFFECT: dict[tuple[OperationKind, Contents], tuple[Contents, Contents]] = {
    (SERVE, LIQUID): (LIQUID, LIQUID),
    (TRIAL, LIQUID): (LIQUID, LIQUID),
    (PRIME, EMPTY): (EMPTY, LIQUID),
    (PRIME, LIQUID): (LIQUID, LIQUID),
    (PRIME, RINSE_WATER): (RINSE_WATER, LIQUID),
    (PURGE, EMPTY): (EMPTY, EMPTY),
    (PURGE, LIQUID): (UNKNOWN, EMPTY),  # half purged: air and liquid in turns
    (PURGE, RINSE_WATER): (RINSE_WATER, EMPTY),
    (PURGE, UNKNOWN): (UNKNOWN, EMPTY),
    (CLEAN, EMPTY): (CLEANER, CLEANER),  # the first drop of cleaner counts
    (CLEAN, RINSE_WATER): (CLEANER, CLEANER),
    (RINSE, EMPTY): (RINSE_WATER, RINSE_WATER),
    (RINSE, LIQUID): (UNKNOWN, RINSE_WATER),
    (RINSE, CLEANER): (CLEANER, RINSE_WATER),
    (RINSE, RINSE_WATER): (RINSE_WATER, RINSE_WATER),
    (JOG, EMPTY): (EMPTY, EMPTY),
    (JOG, LIQUID): (LIQUID, LIQUID),
    (JOG, RINSE_WATER): (RINSE_WATER, RINSE_WATER),
}

# Operations that draw the assigned liquid into the tube. So does a purge, unless somebody has seen to it that the
# suction tube hangs in air.
DRAWS_LIQUID = frozenset({SERVE, PRIME, TRIAL, JOG})


def draws_liquid(kind: OperationKind, *, in_air: bool) -> bool:
    """Whether this operation may have drawn from the container."""
    return kind in DRAWS_LIQUID or (kind is PURGE and not in_air)


def moved(
    state: LineState,
    kind: OperationKind,
    *,
    least_ml: float,
    enough_ml: float,
    label: Label | None,
    now: Moment,
    in_air: bool = False,
) -> LineState:
    """The line after an operation of this kind has moved at least least_ml through it.

    enough_ml: the volume at which the change is complete. label: of the assigned liquid, None when no book knows it.
    in_air: a person has confirmed that the suction tube was out of its container. A combination that the table does
    not list cannot have been admitted; if it happens all the same, the contents are unknown.
    """
    before_ml = state.moved_ml if state.moved_by is kind else 0.0
    total_ml = before_ml + least_ml
    partial, full = EFFECT.get((kind, state.contents), (UNKNOWN, UNKNOWN))
    if kind is JOG and state.contents is LIQUID and state.assigned != state.holds:
        full = partial = UNKNOWN  # another container hangs there by now: a mixture
    draws = draws_liquid(kind, in_air=in_air)
    after = replace(_wetted(state, kind, label, draws=draws), moved_ml=total_ml, moved_by=kind)
    if draws and state.assigned is not None and state.contents is not LIQUID and after.wetted is None:
        after = replace(after, wetted=now)
    is_full = total_ml >= enough_ml
    if is_full:
        after = _completed(after, kind, now)
    contents = full if is_full else partial
    if contents is EMPTY and after.chemical:
        contents = CLEANER  # emptied or not, a film of cleaner wants rinsing
    after = _entered(after, state.contents, contents, now)
    return replace(after, tube=both(after.tube, label)) if draws and contents is LIQUID else after


def _wetted(state: LineState, kind: OperationKind, label: Label | None, *, draws: bool) -> LineState:
    if draws and state.assigned is not None:
        return _wetted_by(state, state.assigned, label)
    return replace(state, chemical=True) if kind is CLEAN else state


def _wetted_by(state: LineState, liquid: str, label: Label | None) -> LineState:
    """label: None when no book knows the liquid, which then may be anything."""
    return replace(
        state,
        residues=tuple(sorted({*state.residues, liquid})),
        drawn=tuple(sorted({*state.drawn, liquid})),
        traces=tuple(sorted({*state.traces, *(label.allergens if label else ())})),
        cares=tuple(sorted({*state.cares, *(cares_of(label) if label else ())})),
        doubtful=state.doubtful or label is None,
    )


def _completed(state: LineState, kind: OperationKind, now: Moment) -> LineState:
    if kind is CLEAN:
        return replace(state, soaked_s=now.credited_s)
    if kind is RINSE:
        is_clean = state.soaked_s is not None
        state = replace(state, residues=(), chemical=False, soaked_s=None)
        if is_clean:
            return replace(state, drawn=(), traces=(), cares=(), doubtful=False, wetted=None, cleaned=now)
    return state


def _entered(after: LineState, before: Contents, contents: Contents, now: Moment) -> LineState:
    if contents is before and contents is not LIQUID:
        return after
    after = replace(after, contents=contents, moved_ml=0.0, moved_by=None)
    if contents is not LIQUID:
        return replace(after, holds=None, tube=None, filled=None)
    # Liquid on top of liquid stays as old as it was: the table cannot know that all of it was pushed out.
    return after if before is LIQUID else replace(after, holds=after.assigned, filled=now)


def nothing_certain(state: LineState) -> LineState:
    """The line when what is in its tube is not certain; what has wetted it is."""
    return replace(state, contents=UNKNOWN, holds=None, tube=None, filled=None, moved_ml=0.0, moved_by=None)


def crashed(state: LineState, kind: OperationKind, label: Label | None, *, in_air: bool = False) -> LineState:
    """The line after the guard was interrupted while it may have been moving.

    A tube that was full of the liquid which its container holds is so still, however far the operation came.
    """
    wetted = _wetted(state, kind, label, draws=draws_liquid(kind, in_air=in_air))
    holds_own = state.contents is LIQUID and state.assigned == state.holds
    if holds_own and EFFECT.get((kind, LIQUID)) == (LIQUID, LIQUID):
        return replace(wetted, tube=both(wetted.tube, label))
    return nothing_certain(wetted)


def drained(state: LineState) -> LineState:
    """The line when its container ran empty: air may be in the tube, so that it must be primed before it serves."""
    if state.contents is not LIQUID:
        return state
    return replace(state, contents=EMPTY, holds=None, tube=None, filled=None, moved_ml=0.0, moved_by=None)


def lost(state: LineState) -> LineState:
    """The line when nothing about its past is certain: purge, rinse, clean and rinse before it serves again."""
    return replace(nothing_certain(state), doubtful=True, chemical=True, soaked_s=None, cleaned=None)


def disputed(state: LineState, by_stock: str, label: Label | None) -> LineState:
    """The line when guard and stock name different liquids on it; label: of the one that stock names.

    One of them has lost something, so that neither is believed, nor what the guard knows of the tube.
    """
    if state.assigned is not None:
        state = _wetted_by(state, state.assigned, state.container)
    return unsaid(lost(_wetted_by(state, by_stock, label)))


def unsaid(state: LineState) -> LineState:
    """The line when a person has to say what hangs on it."""
    return replace(state, assigned=None, container=None, opened=None)


def assigned(state: LineState, label: Label, opened: Moment) -> LineState:
    """The line after a container with this liquid, opened then, was hung on it: the tube holds what it held."""
    return replace(state, assigned=label.liquid, container=label, opened=opened)
