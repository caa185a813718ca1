"""What a line holds, as literal tables: what may be pumped from which contents, and what that makes of them.

Wherever a doubt is left, the table takes the side that asks for more purging, rinsing or cleaning.
"""

from msgspec.structs import replace

from controller.model.states import Contents, OperationKind
from controller.safety.records import LineState

# Which operations a line may take part in, by its contents. Further conditions are in `admission`: the liquid must be
# the assigned one, in date and so on.
ALLOWED: dict[Contents, frozenset[OperationKind]] = {
    Contents.EMPTY: frozenset(
        {OperationKind.PRIME, OperationKind.PURGE, OperationKind.CLEAN, OperationKind.RINSE, OperationKind.JOG}
    ),
    # Cleaner straight into a line full of syrup would be spent on the syrup: purge or rinse first.
    Contents.LIQUID: frozenset(
        {
            OperationKind.SERVE,
            OperationKind.PRIME,
            OperationKind.PURGE,
            OperationKind.RINSE,
            OperationKind.TRIAL,
            OperationKind.JOG,
        }
    ),
    Contents.CLEANER: frozenset({OperationKind.RINSE}),
    Contents.RINSE_WATER: frozenset(
        {OperationKind.PRIME, OperationKind.PURGE, OperationKind.CLEAN, OperationKind.RINSE, OperationKind.JOG}
    ),
    Contents.UNKNOWN: frozenset({OperationKind.PURGE}),
}

# What to do from here to be able to serve.
NEXT_STEP: dict[Contents, str] = {
    Contents.EMPTY: "Prime the line.",
    Contents.LIQUID: "Purge, rinse and prime the line.",
    Contents.CLEANER: "Rinse the line.",
    Contents.RINSE_WATER: "Prime the line.",
    Contents.UNKNOWN: "Purge the line.",
}

# (operation, contents before) -> contents (while too little has moved, once enough has moved). "Enough" is one tube
# volume, for rinse the profile's number of tube volumes, always by the least volume the pump can have moved.
EFFECT: dict[tuple[OperationKind, Contents], tuple[Contents, Contents]] = {
    (OperationKind.SERVE, Contents.LIQUID): (Contents.LIQUID, Contents.LIQUID),
    (OperationKind.TRIAL, Contents.LIQUID): (Contents.LIQUID, Contents.LIQUID),
    (OperationKind.PRIME, Contents.EMPTY): (Contents.EMPTY, Contents.LIQUID),
    (OperationKind.PRIME, Contents.LIQUID): (Contents.LIQUID, Contents.LIQUID),
    (OperationKind.PRIME, Contents.RINSE_WATER): (Contents.RINSE_WATER, Contents.LIQUID),
    (OperationKind.PURGE, Contents.EMPTY): (Contents.EMPTY, Contents.EMPTY),
    (OperationKind.PURGE, Contents.LIQUID): (Contents.UNKNOWN, Contents.EMPTY),  # half purged: air and liquid in turns
    (OperationKind.PURGE, Contents.RINSE_WATER): (Contents.RINSE_WATER, Contents.EMPTY),
    (OperationKind.PURGE, Contents.UNKNOWN): (Contents.UNKNOWN, Contents.EMPTY),
    (OperationKind.CLEAN, Contents.EMPTY): (Contents.CLEANER, Contents.CLEANER),  # the first drop of cleaner counts
    (OperationKind.CLEAN, Contents.RINSE_WATER): (Contents.CLEANER, Contents.CLEANER),
    (OperationKind.RINSE, Contents.EMPTY): (Contents.RINSE_WATER, Contents.RINSE_WATER),
    (OperationKind.RINSE, Contents.LIQUID): (Contents.UNKNOWN, Contents.RINSE_WATER),
    (OperationKind.RINSE, Contents.CLEANER): (Contents.CLEANER, Contents.RINSE_WATER),
    (OperationKind.RINSE, Contents.RINSE_WATER): (Contents.RINSE_WATER, Contents.RINSE_WATER),
    (OperationKind.JOG, Contents.EMPTY): (Contents.EMPTY, Contents.EMPTY),
    (OperationKind.JOG, Contents.LIQUID): (Contents.LIQUID, Contents.LIQUID),
    (OperationKind.JOG, Contents.RINSE_WATER): (Contents.RINSE_WATER, Contents.RINSE_WATER),
}

# Operations that draw the assigned liquid into the tube.
DRAWS_LIQUID = frozenset({OperationKind.SERVE, OperationKind.PRIME, OperationKind.TRIAL, OperationKind.JOG})


def moved(
    state: LineState,
    kind: OperationKind,
    *,
    least_ml: float,
    enough_ml: float,
    allergens: tuple[str, ...],
    now_s: float,
    wall_s: float,
) -> LineState:
    """The line after an operation of this kind has moved at least least_ml through it.

    enough_ml: the volume at which the change is complete. allergens: those of the assigned liquid. now_s: credited
    clock. A combination that the table does not list cannot have been admitted; if it happens all the same, the
    contents are unknown.
    """
    before_ml = state.moved_ml if state.moved_by is kind else 0.0
    total_ml = before_ml + least_ml
    partial, full = EFFECT.get((kind, state.contents), (Contents.UNKNOWN, Contents.UNKNOWN))
    if kind is OperationKind.JOG and state.contents is Contents.LIQUID and state.assigned != state.holds:
        full = partial = Contents.UNKNOWN  # another container hangs there by now: a mixture
    after = replace(_wetted(state, kind, allergens), moved_ml=total_ml, moved_by=kind)
    is_full = total_ml >= enough_ml
    if is_full:
        after = _completed(after, kind, now_s)
    contents = full if is_full else partial
    if contents is Contents.EMPTY and after.chemical:
        contents = Contents.CLEANER  # emptied or not, a film of cleaner wants rinsing
    return _entered(after, state.contents, contents, wall_s)


def _wetted(state: LineState, kind: OperationKind, allergens: tuple[str, ...]) -> LineState:
    if kind in DRAWS_LIQUID and state.assigned is not None:
        residues = tuple(sorted({*state.residues, state.assigned}))
        return replace(state, residues=residues, traces=tuple(sorted({*state.traces, *allergens})))
    if kind is OperationKind.CLEAN:
        return replace(state, chemical=True)
    return state


def _completed(state: LineState, kind: OperationKind, now_s: float) -> LineState:
    if kind is OperationKind.CLEAN:
        return replace(state, soaked_s=now_s)
    if kind is OperationKind.RINSE:
        is_clean = state.soaked_s is not None
        state = replace(state, residues=(), chemical=False, soaked_s=None)
        return replace(state, traces=(), doubtful=False) if is_clean else state
    return state


def _entered(after: LineState, before: Contents, contents: Contents, wall_s: float) -> LineState:
    if contents is before and contents is not Contents.LIQUID:
        return after
    after = replace(after, contents=contents, moved_ml=0.0, moved_by=None)
    if contents is not Contents.LIQUID:
        return replace(after, holds=None, filled_wall_s=None)
    # Liquid on top of liquid stays as old as it was: the table cannot know that all of it was pushed out.
    return after if before is Contents.LIQUID else replace(after, holds=after.assigned, filled_wall_s=wall_s)


def _nothing_certain(state: LineState) -> LineState:
    return replace(state, contents=Contents.UNKNOWN, holds=None, filled_wall_s=None, moved_ml=0.0, moved_by=None)


def crashed(state: LineState, kind: OperationKind, allergens: tuple[str, ...]) -> LineState:
    """The line after the guard was interrupted while it may have been moving."""
    return _nothing_certain(_wetted(state, kind, allergens))


def lost(state: LineState) -> LineState:
    """The line when nothing about its past is certain: purge, rinse, clean and rinse before it serves again."""
    return replace(_nothing_certain(state), doubtful=True, chemical=True, soaked_s=None)


def assigned(state: LineState, liquid: str, wall_s: float) -> LineState:
    """The line after a container with this liquid was hung on it: the tube still holds what it held."""
    return replace(state, assigned=liquid, opened_wall_s=wall_s)
