"""From a recipe's doses to a plan: which line runs when, and for how long.

Sag: a pump slows down while others draw from the same supply, so run times depend on who runs together, and who runs
together depends on run times. The two are made consistent by turns: with the order of starts found for the present run
times, work out the mean current of the others during each run, the run times with it, and the starts anew, until no
run time moves any more; then search once more with these. Should they flip to and fro instead, each run gets a window
long enough for the worst company it could have; with those starts fixed only the run times are iterated, which
contracts (each second of overlap adds at most sag x current, a few percent) and stays within the windows, so every
limit still holds.

That no plan is shorter is claimed with the least company that any plan of that length must have: the others must pour
too, and outside a run there is only so much time and current for them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import msgspec

from controller.errors import Refused
from controller.metering.calibration import run_time_s
from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.model.plan import PlannedRun, Segment
from controller.model.profile import Profile
from controller.sequencing.pump_run import serving_run
from controller.sequencing.schedule import WORK, Schedule, in_order_of, schedule
from controller.sequencing.schedule_loads import Limits, Run
from controller.sequencing.twins import SharedDose, Sources, shares, without

SETTLED_S = 1e-6
SAME_S = 1e-4  # relays take milliseconds: plans closer together than this take equally long
FIRST_SHARE = 5  # the search before the company is known gets this part of the work
# Parts of the work where lines share doses: for the shares, whose search finds a good order, too; and for the order.
SPLIT_SHARE, ORDER_SHARE = 0.45, 0.1
ROUNDS = 12
FIXED_ROUNDS = 60
ANY_TIME_S = 1e6
# What a run takes, it gives back this much later than the figures of relays and pumps say, so that no plan leans on the
# last millisecond: edges come up to so late (`tests/benchmarks edges`). The guard does without it.
MARGIN_S = 0.001


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """A volume from one line in one phase (phases count from 0 within a segment)."""

    line: int
    liquid: str
    volume_ml: float
    phase: int


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A serving's segments; times are the pumps' times, waits for people left out."""

    segments: tuple[Segment, ...]
    wanted: tuple[tuple[Wanted, ...], ...]  # what each segment's runs are to deliver
    calibrations: Mapping[int, Calibration]  # with which it was made
    sources: Sources  # that its liquids could be drawn from
    makespan_s: float
    one_at_a_time_s: float
    lower_bound_s: float
    proven: bool


def limits(profile: Profile, total_s: float | None = None) -> Limits:
    """What a plan of this machine must keep to; total_s (s) stands in for the cap on a serving's time."""
    caps, relays = profile.caps, profile.relay_board
    return Limits(
        current_a=caps.current_a,
        flow_ml_s=min(caps.flow_ml_s, profile.funnel.drain_ml_s),
        concurrent=caps.concurrent,
        start_gap_s=caps.start_gap_s,
        settle_s=profile.funnel.settle_s,
        total_s=caps.serving_time_s if total_s is None else total_s,
        # A contact that opens more slowly than it closes is still closed when one that was switched with it closes.
        overlap_s=max(0.0, relays.release_s - relays.operate_s) + MARGIN_S,
    )


def plan_serving(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    sources: Sources,
    phases: Sequence[Resolved],
    *,
    work: int = WORK,
) -> Plan:
    """Plan a serving in the shortest time, however long that is; a dose of a liquid with several sources is shared.

    work: of all searches together, as `schedule` counts it, shared out by the number of runs: however many phases and
    twins, a plan costs no more. The cap on a serving's time is left to the guard, which names every cap that a serving
    exceeds. Raises Refused: all lines without calibration, liquids without a line, or the limit one run alone exceeds.
    """
    _require_known(calibrations, sources, phases)
    segments, all_wanted = list[Segment](), list[tuple[Wanted, ...]]()
    spans, bounds, alone_s, proven = 0.0, 0.0, 0.0, True
    on_order, on_shares = _work_shared_out(sources, phases, work)
    split = _split(profile, calibrations, sources, phases, work=on_shares)
    runs = sum(len(wanted) for _, wanted in split)
    for step, wanted in split:
        solved, planned = timed(profile, calibrations, wanted, work=on_order * len(wanted) // max(1, runs))
        if segments:  # the guard assumes a person who takes no time: contacts of the segment before are still closed
            planned = _later(planned, limits(profile).overlap_s)
        segments.append(Segment(runs=planned, hand=step.hand, takes_ml=step.takes_ml, within_s=step.within_s))
        all_wanted.append(tuple(wanted))
        spans += solved.makespan_s
        bounds += solved.lower_bound_s
        proven = proven and solved.proven
        alone_s += one_at_a_time_s(profile, calibrations, wanted)
    return Plan(
        segments=tuple(segments),
        wanted=tuple(all_wanted),
        calibrations=calibrations,
        sources={liquid: sources[liquid] for phase in phases for liquid, _ in phase.doses},
        makespan_s=spans,
        one_at_a_time_s=alone_s,
        lower_bound_s=bounds,
        proven=proven,
    )


def _later(runs: Sequence[PlannedRun], by_s: float) -> tuple[PlannedRun, ...]:
    return tuple(msgspec.structs.replace(run, start_s=run.start_s + by_s) for run in runs)


def one_at_a_time_s(profile: Profile, calibrations: Mapping[int, Calibration], wanted: Sequence[Wanted]) -> float:
    """How long the same volumes take with never two lines on at once, s."""
    pauses = len({one.phase for one in wanted}) - 1
    runs_s = sum(run_time_s(calibrations[one.line], one.volume_ml) for one in wanted)
    return runs_s + max(0, pauses) * profile.funnel.settle_s


def timed(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    wanted: Sequence[Wanted],
    bounds: Limits | None = None,
    *,
    work: int = WORK,
) -> tuple[Schedule, tuple[PlannedRun, ...]]:
    """Schedule the wanted volumes with run times that account for who else runs when (see the module's docstring).

    bounds: in place of the machine's own. work: of all searches together, see `schedule`.
    """
    if not wanted:
        return Schedule(lines=(), run_starts_s=(), makespan_s=0.0, lower_bound_s=0.0, proven=True), ()
    volumes = _Volumes(profile, calibrations, wanted, bounds or limits(profile, ANY_TIME_S))
    durations, plans = volumes.alone_s, list[tuple[float, Schedule, list[float]]]()
    sags = any(calibrations[one.line].sag_per_a for one in wanted)
    first = work // FIRST_SHARE
    for share in (first, work - first) if sags else (work,):
        settled = volumes.settled(volumes.solve(durations, share).run_starts_s, durations)
        if settled is None:
            break
        plans.append((settled[0].makespan_s, *settled))
        durations = settled[1]
    _, solved, durations = (
        min(plans, key=lambda plan: plan[0]) if plans else (0.0, *volumes.within_windows(work - first))
    )
    return volumes.claimed(solved, durations), _runs(wanted, solved.run_starts_s, durations)


class _Volumes:
    """The wanted volumes on one machine: run times from company, and schedules from run times."""

    def __init__(
        self,
        profile: Profile,
        calibrations: Mapping[int, Calibration],
        wanted: Sequence[Wanted],
        bounds: Limits,
    ) -> None:
        self._profile, self._calibrations, self._wanted, self._bounds = profile, calibrations, wanted, bounds
        self._currents = [profile.line(one.line).pump.run_a for one in wanted]
        self.alone_s = self._run_times_s([0.0] * len(wanted))
        self._bounds_s: list[tuple[Sequence[float], float]] = []  # run times, and what no plan with them can beat

    def solve(self, durations: Sequence[float], work: int) -> Schedule:
        """The shortest plan found with these run times."""
        solved = schedule(self._runs(durations), self._bounds, work=work)
        self._bounds_s.append((durations, solved.lower_bound_s))
        return solved

    def settled(self, starts: Sequence[float], durations: list[float]) -> tuple[Schedule, list[float]] | None:
        """Run times that agree with the company, in the order of these starts; None when they flip to and fro."""
        for _ in range(ROUNDS):
            solved = in_order_of(starts, self._runs(durations), self._bounds)
            starts = solved.run_starts_s
            consistent = self._with_company(starts, durations)
            if _farthest(consistent, durations) <= SETTLED_S:
                return solved, durations
            durations = consistent
        return None

    def within_windows(self, work: int) -> tuple[Schedule, list[float]]:
        """The same with each run in a window that would do for the worst company."""
        total_a = sum(self._currents)
        windows = self._run_times_s([min(total_a, self._profile.caps.current_a) - own for own in self._currents])
        solved = self.solve(windows, work)
        durations = windows
        for _ in range(FIXED_ROUNDS):
            consistent = self._with_company(solved.run_starts_s, durations)
            moved = _farthest(consistent, durations)
            durations = [min(new, window) for new, window in zip(consistent, windows, strict=True)]
            if moved <= SETTLED_S:
                break
        ends = [start + duration for start, duration in zip(solved.run_starts_s, durations, strict=True)]
        return msgspec.structs.replace(solved, makespan_s=max(ends)), durations

    def claimed(self, solved: Schedule, durations: Sequence[float]) -> Schedule:
        """The same plan with what no plan can beat, run times under sag included.

        Run times of at least the fraction f of others take at least f times as long: all else being scaled with them,
        it would be just that, and longer inrushes and gaps only add to it.
        """
        least = self._least_s(solved.run_starts_s, durations)
        self.solve(least, 0)
        bound_s = max(
            min(1.0, *(mine / theirs for mine, theirs in zip(least, those, strict=True))) * theirs_s
            for those, theirs_s in self._bounds_s
        )
        proven = bound_s >= solved.makespan_s - SAME_S
        return msgspec.structs.replace(solved, lower_bound_s=solved.makespan_s if proven else bound_s, proven=proven)

    def _least_s(self, starts: Sequence[float], durations: Sequence[float]) -> list[float]:
        """The least run times of any plan whose phases take no longer than these, s.

        While a run is on, the others of its phase draw at least their own least charge, save what they could draw
        in the rest of the phase. Each pass starts from run times that are too short or right, and ends with such.
        """
        least = self.alone_s
        for _ in range(ROUNDS):
            charges = [current * on_s for current, on_s in zip(self._currents, least, strict=True)]
            others_a = []
            for index, one in enumerate(self._wanted):
                mine = [other for other in range(len(least)) if self._wanted[other].phase == one.phase]
                span_s = max(starts[k] + durations[k] for k in mine) - min(starts[k] for k in mine)
                others = [other for other in mine if other != index]
                elsewhere_a = min(self._bounds.current_a, sum(self._currents[k] for k in others))
                charge = sum(charges[k] for k in others) - max(0.0, span_s - least[index]) * elsewhere_a
                others_a.append(max(0.0, charge))
            longest = self._run_times_s([charge / on_s for charge, on_s in zip(others_a, least, strict=True)])
            least = self._run_times_s([charge / on_s for charge, on_s in zip(others_a, longest, strict=True)])
        return least

    def _runs(self, durations: Sequence[float]) -> list[Run]:
        return runs_to_schedule(self._profile, self._calibrations, self._wanted, durations)

    def _run_times_s(self, others_a: Sequence[float]) -> list[float]:
        return [
            run_time_s(self._calibrations[one.line], one.volume_ml, beside_a)
            for one, beside_a in zip(self._wanted, others_a, strict=True)
        ]

    def _with_company(self, starts: Sequence[float], durations: Sequence[float]) -> list[float]:
        """Run times beside the mean current of the others in this plan."""
        spans = [(start, start + on_s, own) for start, on_s, own in zip(starts, durations, self._currents, strict=True)]
        others_a = []
        for index, (start, end, _) in enumerate(spans):
            charge = sum(
                (min(end, other[1]) - max(start, other[0])) * other[2]
                for place, other in enumerate(spans)
                if place != index and other[0] < end and other[1] > start
            )
            others_a.append(charge / durations[index])
        return self._run_times_s(others_a)


def _farthest(these: Sequence[float], those: Sequence[float]) -> float:
    return max(abs(one - other) for one, other in zip(these, those, strict=True))


def runs_to_schedule(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    wanted: Sequence[Wanted],
    durations_s: Sequence[float],
) -> list[Run]:
    """What the scheduler needs to know of each wanted volume, given how long it takes (s)."""
    return [
        serving_run(profile, calibrations[one.line], duration_s, one.phase)
        for one, duration_s in zip(wanted, durations_s, strict=True)
    ]


def _runs(wanted: Sequence[Wanted], starts: Sequence[float], durations: Sequence[float]) -> tuple[PlannedRun, ...]:
    runs = [
        PlannedRun(line=one.line, liquid=one.liquid, start_s=start, duration_s=duration, volume_ml=one.volume_ml)
        for one, start, duration in zip(wanted, starts, durations, strict=True)
    ]
    return tuple(sorted(runs, key=lambda run: (run.start_s, run.line)))


def _work_shared_out(sources: Sources, phases: Sequence[Resolved], work: int) -> tuple[int, int]:
    """What of the work goes to orders of starts, and what to shares of doses."""
    is_shared = any(len(sources[liquid]) > 1 for phase in phases for liquid, _ in phase.doses)
    return (round(ORDER_SHARE * work), round(SPLIT_SHARE * work)) if is_shared else (work, 0)


def _split(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    sources: Sources,
    phases: Sequence[Resolved],
    *,
    work: int,
) -> list[tuple[Resolved, list[Wanted]]]:
    """Phases without a hand step between them make one segment: (its first phase, which may be a hand step; wanted)."""
    segments: list[tuple[Resolved, list[Wanted]]] = []
    left, bounds = dict(sources), limits(profile, ANY_TIME_S)
    doses_in_all = sum(len(phase.doses) for phase in phases)
    for phase in joined(phases):
        if phase.hand is not None or not segments:
            segments.append((phase, []))
        wanted = segments[-1][1]
        number = wanted[-1].phase + 1 if wanted else 0
        doses = [SharedDose(liquid=liquid, volume_ml=ml, sources=left[liquid]) for liquid, ml in phase.doses]
        mine = work * len(phase.doses) // max(1, doses_in_all)
        for dose, shared in zip(doses, shares(profile, calibrations, doses, bounds, work=mine), strict=True):
            left[dose.liquid] = without(left[dose.liquid], shared)
            wanted += [Wanted(line=line, liquid=dose.liquid, volume_ml=ml, phase=number) for line, ml in shared.items()]
    return segments


def joined(phases: Sequence[Resolved]) -> list[Resolved]:
    """The phases with those that may pour together made one; nothing that may is poured later for it."""
    found: list[Resolved] = []
    for phase in phases:
        if not (phase.may_join and phase.hand is None and found and found[-1].doses):
            found.append(phase)
            continue
        volumes = dict(found[-1].doses)
        for liquid, volume_ml in phase.doses:
            volumes[liquid] = volumes.get(liquid, 0.0) + volume_ml
        found[-1] = msgspec.structs.replace(found[-1], doses=tuple(volumes.items()))
    return found


def _require_known(calibrations: Mapping[int, Calibration], sources: Sources, phases: Sequence[Resolved]) -> None:
    liquids = {liquid for phase in phases for liquid, _ in phase.doses}
    homeless = sorted(liquids - sources.keys())
    if homeless:
        raise Refused(
            rule="assignment",
            reason=f"no line holds {', '.join(homeless)}.",
            remedy="Hang it on a line: tundish assign LINE LIQUID CONTAINER.",
        )
    drawn = {source.line for liquid in liquids for source in sources[liquid]}
    uncalibrated = sorted(drawn - calibrations.keys())
    if uncalibrated:
        these = " and ".join(f"line {line}" for line in uncalibrated)
        verb, whose = ("has", "its") if len(uncalibrated) == 1 else ("have", "their")
        raise Refused(
            rule="calibration",
            reason=f"{these} {verb} no calibration, so {whose} volumes would be a guess.",
            remedy=f"Run: tundish calibrate {' '.join(map(str, uncalibrated))}",
        )
