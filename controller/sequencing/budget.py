"""What the supply can give: standing loads, what is left for pumps, voltages at motors and at the step-down.

Currents in A, voltages in V, resistances in ohm. The circuit is the one that `Supply` describes: behind the supply's
inner resistance hang lamps, the step-down with the computer, the relay coils and the feed to the pumps' common point;
from there each pump has its own wire. Coils made for less than the supply's voltage hang on the step-down as well.

Two ratings count: at any instant, inrush included, no more than rated_a; all evening, no more than its continuous
fraction. Motors are taken to draw their data sheet's current whatever the voltage, which errs on the safe side.
"""

import math
from collections.abc import Sequence

from controller.model.fields import Value
from controller.model.profile import Line, Profile, Wire

# Annealed copper at 20 C, from memory (IEC 60028 gives 1/58 ohm mm2/m, the same figure).
COPPER_OHM_MM2_M = 0.017241
# Advice only. A motor at 90 % of its voltage pours about a tenth slower: common practice, no source.
MOTOR_LEAST_FRACTION = 0.9
# Advice only. Continuous current at most 80 % of the fuse (NEC 210.20(A), written for branch circuits, by analogy).
FUSE_FACTOR = 1.25
# Usual ratings of blade fuses, A (ISO 8820-3, from memory).
FUSES_A = (1.0, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0)


class BudgetRow(Value, frozen=True, kw_only=True):
    """One line of the table. margin is what is left to the limit, < 0 when it is exceeded; None: no limit."""

    name: str
    value: float
    unit: str
    limit: float | None = None
    margin: float | None = None
    note: str = ""


class SupplyBudget(Value, frozen=True, kw_only=True):
    """The table and what follows from it. `problems` says which lines cannot run at all, one sentence each."""

    rows: tuple[BudgetRow, ...]
    left_a: float  # for all pumps together at any instant; may be < 0
    current_limit_a: float  # what a plan may use: the smaller of left_a and the cap on current
    pumps_at_once: int  # so many of any pumps may run together: within the cap on lines and all evening long
    pumps_started: int  # so many of them can be started one after the other, the last one's inrush included
    problems: tuple[str, ...]


def wire_ohm(wire: Wire) -> float:
    """Resistance of a wire there and back at 20 C, ohm."""
    return COPPER_OHM_MM2_M * 2 * wire.length_m / wire.section_mm2


def supply_budget(profile: Profile) -> SupplyBudget:
    """The supply budget of a machine."""
    at_once = _pumps_at_once(profile)
    left_a = min(_left_of_rated_a(profile, at_once), _left_before_brown_out_a(profile, at_once))
    limit_a = min(left_a, profile.caps.current_a)
    return SupplyBudget(
        rows=(
            *_standing_rows(profile, at_once),
            *_pump_rows(profile, at_once, left_a, limit_a),
            *_voltage_rows(profile, at_once, limit_a),
            *_fuse_rows(profile, at_once),
        ),
        left_a=left_a,
        current_limit_a=limit_a,
        pumps_at_once=at_once,
        pumps_started=_pumps_started(profile, at_once, limit_a),
        problems=tuple(_problems(profile)),
    )


def standing_a(profile: Profile) -> float:
    """What the machine draws besides its pumps while as many of them run as may, A."""
    return _standing_a(profile, _pumps_at_once(profile))


def _computer_a(profile: Profile, input_v: float) -> float:
    """What the step-down draws for the computer at this input voltage."""
    return profile.board.load_a * profile.board.load_v / (input_v * profile.supply.step_down_efficiency)


def _relays_on(profile: Profile, pumps: int) -> int:
    """With so many pumps on; the main relay, where there is one, is taken for one of the same kind."""
    return pumps + (profile.main_relay is not None)


def _coils_a(profile: Profile, pumps: int, input_v: float) -> float:
    relays, supply, count = profile.relay_board, profile.supply, _relays_on(profile, pumps)
    if relays.coil_v >= supply.voltage_v:
        return count * relays.coil_a
    return count * relays.coil_a * relays.coil_v / (input_v * supply.step_down_efficiency)


def _standing_a(profile: Profile, pumps: int, input_v: float | None = None) -> float:
    """Everything but the pumps, with so many of them on."""
    volts = profile.supply.voltage_v if input_v is None else input_v
    return _computer_a(profile, volts) + profile.supply.lamps_a + _coils_a(profile, pumps, volts)


def _continuous_a(profile: Profile) -> float:
    return profile.supply.rated_a * profile.supply.continuous_fraction


def _pumps_at_once(profile: Profile) -> int:
    """How many of the thirstiest pumps fit the continuous rating, and so how many of any."""
    steady = sorted((line.pump.run_a for line in profile.lines), reverse=True)
    most = min(len(steady), profile.caps.concurrent)
    fitting = [
        count
        for count in range(1, most + 1)
        if _standing_a(profile, count) + sum(steady[:count]) <= _continuous_a(profile) + 1e-9
    ]
    return max(fitting, default=0)


def _pumps_started(profile: Profile, at_once: int, limit_a: float) -> int:
    """How many of any pumps can be brought to run together: the last of them starts with its inrush."""
    steady = sorted((line.pump.run_a for line in profile.lines), reverse=True)
    extra_a = max(line.pump.inrush_a - line.pump.run_a for line in profile.lines)
    fitting = [count for count in range(1, at_once + 1) if sum(steady[:count]) + extra_a <= limit_a + 1e-9]
    return max(fitting, default=0)


def _left_of_rated_a(profile: Profile, pumps: int) -> float:
    return profile.supply.rated_a - _standing_a(profile, pumps)


def _left_before_brown_out_a(profile: Profile, pumps: int) -> float:
    """Pumps' current that pulls the step-down's input down to its least voltage; inf when nothing can."""
    supply = profile.supply
    if supply.source_ohm == 0:
        return math.inf
    total_a = (supply.voltage_v - supply.step_down_min_v) / supply.source_ohm
    return total_a - _standing_a(profile, pumps, supply.step_down_min_v)


def _limited(name: str, value: float, unit: str, limit: float, note: str = "", *, least: bool = False) -> BudgetRow:
    """A row whose value may be at most `limit`, or at least `limit`."""
    margin = value - limit if least else limit - value
    return BudgetRow(name=name, value=value, unit=unit, limit=limit, margin=margin, note=note)


def _standing_rows(profile: Profile, at_once: int) -> list[BudgetRow]:
    supply, board, relays = profile.supply, profile.board, profile.relay_board
    nominal_v = supply.voltage_v
    board_note = (
        f"{board.load_a:g} A at {board.load_v:g} V through a step-down of {100 * supply.step_down_efficiency:g} %"
    )
    coil_note = f"{relays.coil_a * 1000:g} mA each at {relays.coil_v:g} V, {_relays_on(profile, at_once)} on"
    return [
        BudgetRow(name="supply, rated", value=supply.rated_a, unit="A", note=f"{nominal_v:g} V"),
        BudgetRow(
            name="supply, all evening",
            value=_continuous_a(profile),
            unit="A",
            note=f"{100 * supply.continuous_fraction:g} % of rated",
        ),
        BudgetRow(name="computer", value=_computer_a(profile, nominal_v), unit="A", note=board_note),
        BudgetRow(name="lamps", value=supply.lamps_a, unit="A"),
        BudgetRow(name="relay coils", value=_coils_a(profile, at_once, nominal_v), unit="A", note=coil_note),
    ]


def _pump_rows(profile: Profile, at_once: int, left_a: float, limit_a: float) -> list[BudgetRow]:
    steady_a = sum(sorted((line.pump.run_a for line in profile.lines), reverse=True)[:at_once])
    thirstiest = max(profile.lines, key=lambda line: line.pump.inrush_a)
    standing_a = _standing_a(profile, at_once)
    return [
        _limited(
            "pumps, running",
            steady_a,
            "A",
            _continuous_a(profile) - standing_a,
            f"the {at_once} thirstiest of {len(profile.lines)} at once",
        ),
        _limited(
            "pumps, cap with inrush", profile.caps.current_a, "A", left_a, "what rated current and step-down leave"
        ),
        _limited(
            "largest inrush",
            thirstiest.pump.inrush_a,
            "A",
            limit_a,
            f"line {thirstiest.line}, for {thirstiest.pump.inrush_s * 1000:g} ms",
        ),
    ]


def _voltage_rows(profile: Profile, at_once: int, limit_a: float) -> list[BudgetRow]:
    supply = profile.supply
    worst_a = min(limit_a, sum(line.pump.inrush_a for line in profile.lines))
    input_v = _step_down_v(profile, at_once, max(worst_a, 0.0))
    rows = [
        _limited(
            "step-down input, worst inrush",
            input_v,
            "V",
            supply.step_down_min_v,
            f"pumps at {max(worst_a, 0.0):.2f} A; below the limit the computer browns out",
            least=True,
        )
    ]
    least_v = MOTOR_LEAST_FRACTION * supply.voltage_v
    for line in profile.lines:
        company_a = _company_a(profile, line, at_once)
        alone_v = _motor_v(profile, line, 0.0, 1)
        note = f"{alone_v:.2f} V alone; limit is advice: a tenth less voltage pours about a tenth slower"
        together_v = _motor_v(profile, line, company_a, max(at_once, 1))
        rows.append(
            _limited(f"line {line.line} motor, {max(at_once, 1)} on", together_v, "V", least_v, note, least=True)
        )
    return rows


def _step_down_v(profile: Profile, pumps: int, pumps_a: float) -> float:
    """Input voltage of the step-down, which draws more the lower it gets: v = V - R (a + p / v), larger root."""
    supply = profile.supply
    power_w = _standing_a(profile, pumps, 1.0) - _standing_fixed_a(profile, pumps)
    open_v = supply.voltage_v - supply.source_ohm * (pumps_a + _standing_fixed_a(profile, pumps))
    return (open_v + math.sqrt(max(0.0, open_v**2 - 4 * supply.source_ohm * power_w))) / 2


def _standing_fixed_a(profile: Profile, pumps: int) -> float:
    """The part of the standing loads that does not hang on the step-down."""
    relays = profile.relay_board
    direct_a = _relays_on(profile, pumps) * relays.coil_a if relays.coil_v >= profile.supply.voltage_v else 0.0
    return profile.supply.lamps_a + direct_a


def _company_a(profile: Profile, line: Line, at_once: int) -> float:
    others = sorted((other.pump.run_a for other in profile.lines if other.line != line.line), reverse=True)
    return sum(others[: max(at_once - 1, 0)])


def _motor_v(profile: Profile, line: Line, others_a: float, pumps: int) -> float:
    supply, own_a = profile.supply, line.pump.run_a
    pumps_a = own_a + others_a
    source_v = supply.voltage_v - supply.source_ohm * (_standing_a(profile, pumps) + pumps_a)
    return source_v - wire_ohm(supply.feed) * pumps_a - wire_ohm(line.wire) * own_a


def _fuse_rows(profile: Profile, at_once: int) -> list[BudgetRow]:
    pumps = [line.pump for line in profile.lines]
    steady = sorted((pump.run_a for pump in pumps), reverse=True)
    longest_s = max(pump.inrush_s for pump in pumps)
    note = (
        f"advice: {FUSE_FACTOR:g} x the running current, next size up; slow, to pass {longest_s * 1000:g} ms of inrush"
    )
    return [
        BudgetRow(
            name=name,
            value=next((size for size in FUSES_A if size >= FUSE_FACTOR * current_a), FUSES_A[-1]),
            unit="A",
            note=note,
        )
        for name, current_a in (
            ("fuse at the supply", _standing_a(profile, at_once) + sum(steady[:at_once])),
            ("fuse of one pump", steady[0]),
        )
    ]


def _problems(profile: Profile) -> list[str]:
    supply = profile.supply
    standing_a = _standing_a(profile, 1)
    brown_out_a = _left_before_brown_out_a(profile, 1)
    found = []
    for line in profile.lines:
        run_a, inrush_a = line.pump.run_a, line.pump.inrush_a
        checks: Sequence[tuple[float, float, str]] = (
            (run_a, _continuous_a(profile) - standing_a, "running; all evening the supply leaves"),
            (inrush_a, supply.rated_a - standing_a, "starting; the supply's rating leaves"),
            (inrush_a, brown_out_a, "starting; before the computer browns out there are"),
            (inrush_a, profile.caps.current_a, "starting; the cap on current is"),
        )
        found += [
            f"line {line.line} cannot run alone: its pump draws {asked_a:.2f} A {words} {max(allowed_a, 0.0):.2f} A."
            for asked_a, allowed_a, words in checks
            if asked_a > allowed_a + 1e-9
        ]
    return found
