"""How much: volumes, currents, ethanol and on-times as the bench has them, against caps and bookings."""

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from controller.bench.fluids import CLEANER
from controller.model.messages import Ended
from controller.model.plan import Operation
from controller.model.states import OperationKind, Outcome
from controller.safety.records import EndedRecord
from tests.campaigns.violation import Violation

if TYPE_CHECKING:
    from tests.campaigns.house import House

ETHANOL_G_ML = 0.78924  # OIML R 22: density of pure ethanol at 20 C
HOUR_S = 3600.0
TINY = 1e-6
# Between what a calibrated pump is reckoned to move and what it really moves. The calibrations here are off by up to
# half a per cent and 8 ms; air in a suction tube makes a pump faster, a switched off pump coasts.
SHARE, RUN_S = 0.04, 0.06
NOMINAL_SHARE = 0.25  # without a calibration: figures.UNCALIBRATED
OVERRUN_S = 1.0  # after the guard's end, or while it stands still
DRIPS_ML = 3.0  # what still runs out of the funnel into a glass just set down
FILM_ML = 0.02  # a tenth of what stays on the bench's funnel
DROP_ML = 0.3  # a pump that coasts from the operation before, at most


@dataclass
class Account:
    """One operation: what stood in the containers and had left the outlets when it began."""

    operation: Operation
    held_ml: dict[int, float]
    left_ml: dict[int, dict[str, float]]
    glass: str | None  # that stood there, and what was in it
    in_glass_ml: float
    assigned: dict[int, str | None]
    abv: dict[int, float]  # of each line's bottle, as a fraction
    is_disturbed: bool = False  # the guard was frozen or killed meanwhile: channels stay on until it is made up for
    excused: set[int] = field(default_factory=set)  # lines with a fault that no guard could have known of
    on_s: dict[int, float] = field(default_factory=dict)
    runs: dict[int, int] = field(default_factory=dict)
    told: Ended | None = None
    end: EndedRecord | None = None


class Amounts:
    """Keeps one account per operation and closes it when the next one begins, so that coasting pumps are at rest."""

    def __init__(self, house: "House") -> None:
        self._house = house
        self._caps, self._lines = house.plot.profile.caps, {line.line: line for line in house.plot.profile.lines}
        self._account: Account | None = None
        self._servings: list[tuple[float, float]] = [
            (house.boot_clock.house_s(one.at_s), one.ethanol_g) for one in house.plot.past.servings
        ]
        self._ran: list[tuple[int, float, float]] = [
            (one.line, house.boot_clock.house_s(one.start_s), house.boot_clock.house_s(one.end_s))
            for one in house.plot.past.on_times
        ]
        self._last_serving_s: float | None = None

    # --- what happens

    def begin(self, operation: Operation) -> None:
        """An operation was admitted."""
        self.close()
        bench = self._house.plant.remember()
        cleaner_ml = bench.funnel_ml.get(CLEANER, 0.0)
        if operation.kind is OperationKind.SERVE and cleaner_ml > FILM_ML and not self._house.unsound:
            raise Violation(f"{operation.operation} is served with {cleaner_ml:.2f} mL of cleaner in the funnel")
        glass = self._house.plant.report()
        self._account = Account(
            operation=operation,
            glass=glass.glass,
            in_glass_ml=sum(glass.glass_ml.values()),
            held_ml={one.line: one.remaining_ml for one in bench.lines},
            left_ml={one.line: dict(one.left_outlet_ml) for one in bench.lines},
            assigned=dict(self._house.assigned),
            abv={line: self._house.bottles.abv(line) for line in self._lines},
            excused=set(self._house.unsound),
        )

    def disturb(self) -> None:
        """The guard stands still, or is gone."""
        if self._account is not None:
            self._account.is_disturbed = True

    @property
    def overrun_s(self) -> float:
        """By how much a channel may have been on for longer than planned."""
        account = self._account
        if account is None:
            return OVERRUN_S
        late_s = self._house.plot.jitter_s * (1 + sum(account.runs.values()))
        return late_s + (OVERRUN_S if account.is_disturbed else 0.0)

    def excuse(self, lines: set[int]) -> None:
        """These lines do not do as they are told."""
        if self._account is not None:
            self._account.excused |= lines

    def hung(self, line: int, before_ml: float, after_ml: float) -> None:
        """Another container was hung."""
        if self._account is not None:
            self._account.held_ml[line] += after_ml - before_ml

    def first_start(self, operation: Operation, at_s: float) -> None:
        """The first channel of an operation was switched on."""
        if operation.kind is not OperationKind.SERVE:
            return
        caps = self._caps
        if self._last_serving_s is not None and at_s - self._last_serving_s < caps.serving_pause_s - TINY:
            raise Violation(f"a serving began {at_s - self._last_serving_s:.3f} s after the one before")
        recent = [one for one in self._servings if at_s - one[0] < HOUR_S - 1]
        if len(recent) + 1 > caps.hour_servings:
            raise Violation(f"serving {len(recent) + 1} within an hour, the cap is {caps.hour_servings}")

    def switched(self, on: dict[int, float], at_s: float) -> None:
        """These lines are on now, each since its own instant: what they may draw and pour together."""
        caps, plot = self._caps, self._house.plot
        if len(on) > caps.concurrent:
            raise Violation(f"{len(on)} lines at once, the cap is {caps.concurrent}")
        current_a = 0.0
        for line, since_s in on.items():
            pump = self._lines[line].pump
            is_starting = at_s - since_s < pump.inrush_s - TINY
            current_a += max(pump.inrush_a, pump.run_a) if is_starting else pump.run_a
        if current_a > caps.current_a * (1 + TINY):
            raise Violation(f"{current_a:.3f} A at once, the cap is {caps.current_a:.3f} A")
        flow_ml_s = sum(plot.flow_ml_s(line, self._house.assigned[line]) for line in on)
        if flow_ml_s > caps.flow_ml_s * (1 + TINY):
            raise Violation(f"{flow_ml_s:.2f} mL/s at once, the cap is {caps.flow_ml_s:.2f} mL/s")

    def ran(self, line: int, start_s: float, end_s: float) -> None:
        """A channel was on for this time."""
        caps, excess_s = self._caps, self.overrun_s
        self._ran.append((line, start_s, end_s))
        if end_s - start_s > caps.run_on_s + excess_s + TINY:
            raise Violation(f"line {line} ran for {end_s - start_s:.3f} s, the cap is {caps.run_on_s:.3f} s")
        from_s = end_s - caps.duty_window_s
        busy_s = sum(max(0.0, b - max(a, from_s)) for one, a, b in self._ran if one == line)
        if busy_s > caps.duty_fraction * caps.duty_window_s + excess_s + TINY:
            raise Violation(f"line {line} was busy {busy_s:.2f} s of {caps.duty_window_s:.2f} s")
        account = self._account
        if account is None:
            return
        account.runs[line] = account.runs.get(line, 0) + 1
        account.on_s[line] = account.on_s.get(line, 0.0) + end_s - start_s
        if account.on_s[line] > caps.operation_on_s + excess_s + TINY:
            raise Violation(f"line {line} was on {account.on_s[line]:.3f} s in one operation")
        if account.operation.kind is OperationKind.JOG and account.on_s[line] > caps.jog_s + excess_s + TINY:
            raise Violation(f"a jog of {account.on_s[line]:.3f} s, the cap is {caps.jog_s} s")
        if account.operation.kind is OperationKind.SERVE:
            self._last_serving_s = end_s

    def tell(self, event: Ended) -> None:
        """An end was published."""
        if self._account is not None and self._account.operation.operation == event.operation:
            self._account.told = event

    def end(self, record: EndedRecord) -> None:
        """An end is on disk."""
        if self._account is not None and self._account.operation.operation == record.ended.operation:
            self._account.end = record
            if record.ended.kind is OperationKind.SERVE:
                self._check_glass(self._account)

    # --- the account is closed

    def close(self) -> None:
        """Everything is at rest: compare."""
        account = self._account
        if account is None:
            return
        bench = self._house.plant.remember()
        if account.end is not None:
            self._check_bookings(
                account, account.end, {one.line: account.held_ml[one.line] - one.remaining_ml for one in bench.lines}
            )
        if account.operation.kind is OperationKind.SERVE:
            self._check_serving(
                account, {one.line: _since(account, one.line, one.left_outlet_ml) for one in bench.lines}
            )
        self._account = None

    def _check_glass(self, account: Account) -> None:
        """The glass that was asked for was empty at the begin, but for a rest, and did not overflow."""
        house, operation = self._house, account.operation
        is_glass = account.glass in {one.glass for one in house.plot.book.glasses}  # and no jug
        if not is_glass or house.is_glass_in_doubt or house.unsound or account.is_disturbed:
            return
        if operation.rest_of is None and account.in_glass_ml > DRIPS_ML:
            raise Violation(f"{operation.operation} was served into a glass with {account.in_glass_ml:.1f} mL in it")
        now, brim_ml = house.plant.report(), house.plot.book.glass(operation.glass or "").brim_ml
        if now.glass == operation.glass and sum(now.glass_ml.values()) > brim_ml - TINY:
            raise Violation(f"{operation.operation} has filled the {now.glass} to its brim of {brim_ml:.0f} mL")

    def _flow_ml_s(self, account: Account, line: int) -> float:
        return self._house.plot.flow_ml_s(line, account.assigned[line])

    def _slack_ml(self, account: Account, line: int, volume_ml: float) -> float:
        return SHARE * volume_ml + RUN_S * self._flow_ml_s(account, line) * (1 + account.runs.get(line, 0))

    def _check_bookings(self, account: Account, record: EndedRecord, drawn_ml: dict[int, float]) -> None:
        """What was booked is at least what left the containers."""
        is_done = record.ended.outcome is Outcome.DONE
        booked_ml = {one.line: one.delivered_ml if is_done else one.worst_ml for one in record.ended.deliveries}
        for line, drawn in drawn_ml.items():
            slack_ml = self._slack_ml(account, line, drawn)
            if is_done and not self._house.plot.is_calibrated(line, account.assigned[line]):
                slack_ml += NOMINAL_SHARE * drawn
            if line not in account.excused and drawn > booked_ml.get(line, 0.0) + slack_ml:
                raise Violation(
                    f"{account.operation.operation} ({record.ended.outcome}): {drawn:.2f} mL left container {line}, "
                    f"{booked_ml.get(line, 0.0):.2f} mL are booked"
                )

    def _check_serving(self, account: Account, poured: dict[int, dict[str, float]]) -> None:
        for line, volumes in poured.items():
            if line in account.excused:
                continue
            foreign = sorted(name for name, ml in volumes.items() if ml > DROP_ML and name != account.assigned[line])
            if foreign:
                raise Violation(f"{', '.join(foreign)} from line {line}, which carries {account.assigned[line]}")
        sound = [line for line in self._lines if line not in account.excused]
        poured_ml = {line: sum(poured[line].values()) for line in sound}
        extra_s = self.overrun_s
        slack_ml = sum(
            self._slack_ml(account, line, poured_ml[line])
            + extra_s * self._flow_ml_s(account, line) * (line in account.on_s)
            for line in sound
        )
        total_ml = sum(poured_ml.values())
        caps, now_s = self._caps, self._house.now_s
        brim_ml = self._house.bottles.brims_ml[account.operation.glass or ""]
        if total_ml > brim_ml + slack_ml:
            raise Violation(f"a serving of {total_ml:.1f} mL into a {account.operation.glass} of {brim_ml:.1f} mL")
        if total_ml > caps.serving_volume_ml + slack_ml:
            raise Violation(f"a serving of {total_ml:.1f} mL, the cap is {caps.serving_volume_ml:.1f} mL")
        ethanol_g = sum(ml * account.abv.get(line, 0.0) * ETHANOL_G_ML for line, ml in poured_ml.items())
        share = slack_ml / total_ml if total_ml > 0 else 0.0
        if ethanol_g > caps.serving_ethanol_g * (1 + share) + TINY:
            raise Violation(f"a serving of {ethanol_g:.2f} g of ethanol, the cap is {caps.serving_ethanol_g} g")
        # An end that was lost with the journal has the whole hour count as used up.
        booked_g = math.inf if account.end is None else account.end.ethanol_g
        if ethanol_g > booked_g * (1 + share) + TINY:
            raise Violation(
                f"{ethanol_g:.2f} g of ethanol were poured by the bottles' labels, {booked_g:.2f} g are booked"
            )
        self._servings.append((now_s, ethanol_g))
        hour_g = sum(grams for at_s, grams in self._servings if now_s - at_s < HOUR_S - 1)
        if ethanol_g > 0 and hour_g > caps.hour_ethanol_g + ethanol_g * share + TINY:
            raise Violation(f"{hour_g:.1f} g of ethanol within an hour, the cap is {caps.hour_ethanol_g} g")


def _since(account: Account, line: int, left_ml: dict[str, float]) -> dict[str, float]:
    """What has left this outlet since the account was opened, by fluid."""
    return {name: ml - account.left_ml[line].get(name, 0.0) for name, ml in left_ml.items()}
