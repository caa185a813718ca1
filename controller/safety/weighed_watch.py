"""What follows from the scale: the glass that it sees, liquid that is missing, too much of it, some that comes alone.

A scale that is doubtful or silent says nothing: where a contact sees the glass too the machine goes on without it,
elsewhere no glass counts as there.
"""

from collections.abc import Iterable

from msgspec.structs import replace

from controller.model.messages import InputReport, Waiting
from controller.model.plan import PlannedRun, Segment
from controller.model.scale_datagram import RawReading
from controller.model.states import MachineState as S
from controller.safety.admission import calibrations
from controller.safety.case import timeline
from controller.safety.figures import Figures
from controller.safety.machine import Hold, StateMachine
from controller.safety.suspects import Search

GAIN, WEIGHED = "gain at rest", "weighed volume"  # causes of faults


def take(machine: StateMachine, raw: Iterable[RawReading]) -> None:
    """The scale's readings since the last call."""
    if machine.load is None:
        return
    readings = machine.load.take(machine.now_s, raw, machine.memory.scale)
    machine.weigher.read(readings, machine.progress, is_held=machine.state in (S.HOLDING, S.HELD))
    for told in machine.load.tell(machine.now_s, under_way=machine.progress is not None):
        machine.say(told)


def glass_present(machine: StateMachine, inputs: InputReport) -> bool | None:
    """Whether a glass is there, as contact and scale see it together; None when nothing sees it."""
    by_contact = inputs.glass_present
    if machine.load is None:
        return by_contact
    if not machine.is_weighed:
        return bool(by_contact)
    return machine.weigher.standing.is_there and by_contact is not False


def glass_absent(machine: StateMachine, inputs: InputReport) -> bool | None:
    """Whether contact and scale, as far as they can be believed now, both see no glass; None when neither can be.

    Either of them holds a pour. That a glass was taken away allows the next one, so there both must agree.
    """
    by_scale = machine.weigher.standing.is_there if machine.is_weighed else None
    seen = [one for one in (inputs.glass_present, by_scale) if one is not None]
    return not any(seen) if seen else None


def begin(machine: StateMachine, runs: tuple[PlannedRun, ...]) -> None:
    """These runs are about to be taken up; only those of a serving are followed."""
    progress = machine.progress
    if machine.load is None or progress is None:
        return
    machine.weigher.forget()
    if progress.is_serving:
        known = calibrations(machine.memory)
        later = progress.operation.segments[progress.segment + 1 :]
        to_come = timeline(replace(progress.operation, segments=(Segment(runs=runs), *later)))
        most_ml = Figures(profile=machine.profile, calibrations=known).upper_by_line_ml([*progress.done, *to_come])
        machine.weigher.begin(machine.book, known, {run.line for run in runs}, most_ml)


def faults(machine: StateMachine) -> dict[str, str]:
    """Causes of faults that the last readings show."""
    weigher, found = machine.weigher, {}
    if weigher.gain_g is not None:
        found[GAIN] = _gained(machine, weigher.gain_g)
        weigher.gain_g = None
    progress, cap_ml = machine.progress, machine.profile.caps.serving_volume_ml
    if progress is not None and progress.is_serving and machine.state is S.EXECUTE and weigher.exceeds(cap_ml):
        found[WEIGHED] = (
            f"{weigher.weighed_g:.0f} g have been weighed in the glass: more than {cap_ml:.0f} mL, the cap, can weigh. "
            "A pump runs faster than it is known to, or a relay is stuck on"
        )
    return found


def _gained(machine: StateMachine, gain_g: float) -> str:
    came = f"{gain_g:.1f} g of liquid came into the glass with every channel off"
    if machine.profile.main_relay is not None:
        return (
            f"{came} and the main relay open: a container siphons through its pump. Take the glass away, then lower "
            "the container, raise the outlet or fit a check valve"
        )
    return (
        f"{came}: a relay is stuck on, or a container siphons through its pump. Switch the pumps' supply off and look"
    )


def watch(machine: StateMachine) -> Hold | None:
    """What is missing while a serving runs: suspects are tried alone, then the pour is held.

    A search without a scale to believe would never end: then nobody is named.
    """
    weigher, progress = machine.weigher, machine.progress
    if progress is None or not progress.is_serving:
        return None
    if weigher.search is not None and (weigher.search.is_over or not machine.is_weighed):
        line, weigher.search = weigher.search.line, None
        return _missing(machine, line)
    if weigher.shortfall is None:
        return None
    suspects, owed_s = weigher.shortfall.suspects, progress.owed_s(machine.now_s)
    is_named = weigher.shortfall.is_named
    machine.all_off()
    search = weigher.go_looking(owed_s, machine.now_s)
    if search is None or search.is_over or _outlasts(machine, search):
        weigher.search = None
        return _missing(machine, suspects[0] if is_named else None)
    runs = (
        PlannedRun(
            line=one.line,
            liquid=progress.liquids[one.line],
            start_s=one.start_s - machine.now_s,
            duration_s=one.on_s,
            volume_ml=0.0,
        )
        for one in search.trials
    )
    progress.begin(machine.now_s, runs)
    return None


def _outlasts(machine: StateMachine, search: Search) -> bool:
    """Whether trying them all would take longer than a serving may."""
    progress = machine.progress
    trying_s = search.trials[-1].end_s - machine.now_s
    return progress is not None and progress.spent_s + trying_s > machine.profile.caps.serving_time_s


def _missing(machine: StateMachine, line: int | None) -> Hold:
    progress = machine.progress
    if progress is None or line is None:
        reason = "less liquid comes than should, and by weight nobody can tell from which line"
        return Hold(Waiting(kind="look"), "a look at the lines", reason)
    progress.ran_out.add(line)
    liquid = progress.liquids.get(line, "its liquid")
    return Hold.for_container(
        line,
        f"line {line} brings too little {liquid}: its container is empty, its tube blocked or off, or its pump dead",
    )
