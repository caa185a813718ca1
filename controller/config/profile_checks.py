"""Checks between the parts of a profile: can every line run at all, on this supply and within these caps?"""

import math

from controller.config.diagnostics import Found, Notes
from controller.config.pins import check_pins
from controller.config.scale_checks import check_scale
from controller.model.profile import (
    CURRENT_SWITCH_A,
    CalibrationBand,
    Caps,
    FlowBand,
    Funnel,
    Hygiene,
    Line,
    Pump,
    RelayBoard,
    Supply,
    Tube,
    flow_band,
)
from controller.model.wiring import LevelSwitch
from controller.quantities import format_current, format_flow, format_quantity, format_volume

_WATER_KPA_M = 9.79  # hydrostatic pressure of water at 20 C: 998.2 kg/m3 (Tanaka et al., Metrologia 38, 2001) x 9.80665
# What the planner adds to a rinse, because a pump moves nothing while its relay closes; practice here.
_START_UP = 1.1
_NARROWEST = 1.1  # most to least: +-5 %, about what a pump changes by temperature and wear; common practice, no source


def check_profile(profile: Found, notes: Notes) -> None:
    """Note everything in a profile that contradicts itself; parts that are not valid in themselves are left out."""
    check_pins(profile, notes)
    check_scale(profile, notes)
    _check_numbers(profile, notes)
    _check_channels(profile, notes)
    _check_inputs(profile, notes)
    for line in profile.under("lines"):
        _check_pump(line, notes)
        _check_band(line, notes)
        _check_seen(profile, line, notes)
        _check_tube(profile, line, notes)
        _check_siphon(line, notes)
    _check_voltages(profile, notes)
    _check_supply(profile, notes)
    _check_flow(profile, notes)


def _name_of(line: Found) -> str:
    """How messages call a line."""
    number = line.get("line", int)
    return f"line {number}" if number is not None else "a line"


def _check_numbers(profile: Found, notes: Notes) -> None:
    lines = profile.under("lines")
    if "lines" in profile.fields and not lines and profile.fields["lines"].value is not None:
        notes.add(profile.fields["lines"], "lines", "a machine has at least one line.")
    first: dict[int, Found] = {}
    for line in lines:
        number = line.get("line", int)
        if number is not None and first.setdefault(number, line) is not line:
            text = f"this number stands twice; first in line {first[number].fields['line'].line} of the file."
            notes.add(line.fields["line"], _name_of(line), text)


def _check_channels(profile: Found, notes: Notes) -> None:
    channels = profile.at("relay_board").get("channels", int)
    first: dict[int, Found] = {}
    for line in profile.under("lines"):
        channel = line.get("channel", int)
        if channel is None:
            continue
        place = line.fields["channel"]
        if channels is not None and channel > channels:
            notes.add(place, _name_of(line), f"relay channel {channel} does not exist; the relay board has {channels}.")
        if first.setdefault(channel, line) is not line:
            user = _name_of(first[channel])
            notes.add(place, _name_of(line), f"relay channel {channel} already serves {user}. Use a free channel.")


def _check_inputs(profile: Found, notes: Notes) -> None:
    inputs = profile.at("inputs")
    stop = inputs.at("stop")
    if stop.get("contact", str) == "normally_open":
        text = "it must be normally_closed: a broken wire then stops the machine instead of disabling the stop."
        notes.add(stop.fields["contact"], "the stop contact", text)
    if inputs.get("guests_may_consent", bool) and not ({"glass"} & inputs.fields.keys() or "scale" in profile.fields):
        text = "without a glass contact or a scale nobody sees a fresh glass set down: add one, or leave this out."
        notes.add(inputs.fields["guests_may_consent"], "guests_may_consent", text)
    numbers = {line.get("line", int) for line in profile.under("lines")}
    seen: set[int] = set()
    for level in inputs.under("levels"):
        switch = level.valid(LevelSwitch)
        if switch is None:
            continue
        if switch.line not in numbers:
            notes.add(level.fields["line"], "level switch", f"there is no line {switch.line} in this machine.")
        if switch.line in seen:
            notes.add(level.fields["line"], "level switch", f"line {switch.line} has one already.")
        seen.add(switch.line)


def _check_pump(line: Found, notes: Notes) -> None:
    pump = line.get("pump", Pump)
    if pump and pump.run_a > pump.inrush_a:
        text = (
            f"the inrush current {format_current(pump.inrush_a)} is below the running current "
            f"{format_current(pump.run_a)}; give the total current just after switching on."
        )
        notes.add(line.at("pump", "inrush_a"), f"{_name_of(line)} pump", text)


def _check_band(line: Found, notes: Notes) -> None:
    """What a pump moves at the least and at the most: in this order, and no closer than a pump keeps."""
    band, place = line.get("flow", FlowBand), line.at("flow")
    if band is None:
        return
    if band.least_ml_s > band.most_ml_s:
        text = (
            f"the least flow {format_flow(band.least_ml_s)} is above the most {format_flow(band.most_ml_s)}. "
            "Exchange them."
        )
        notes.add(line.at("flow", "least_ml_s"), f"{_name_of(line)} flow", text)
    elif band.most_ml_s < _NARROWEST * band.least_ml_s:
        text = (
            f"{format_flow(band.least_ml_s)} to {format_flow(band.most_ml_s)} is closer than such a pump keeps through "
            "liquids, temperatures and a tube's life: caps may be exceeded by what it moves besides. Take what "
            "`tundish calibration` prints."
        )
        notes.warn(place, f"{_name_of(line)} flow", text)


def _check_seen(profile: Found, line: Found, notes: Notes) -> None:
    """A current contact must be able to see every pump."""
    pump = line.get("pump", Pump)
    if "current" in profile.at("inputs").fields and pump and pump.run_a <= CURRENT_SWITCH_A:
        text = (
            f"it draws {format_current(pump.run_a)}; a current contact closes only at "
            f"{format_current(CURRENT_SWITCH_A)} and would take it for standing still."
        )
        notes.add(line.at("pump", "run_a"), f"{_name_of(line)} pump", text)


def _check_siphon(line: Found, notes: Notes) -> None:
    """A container above its outlet empties itself through a pump that does not close off: gravity needs no relay."""
    tube = line.get("tube", Tube)
    if tube is None:
        return
    subject = f"{_name_of(line)} tube"
    if tube.rise_m is not None and abs(tube.rise_m) > tube.delivery_m:
        text = (
            f"the outlet cannot be {format_quantity(abs(tube.rise_m), 'm')} from the pump at the end of "
            f"{format_quantity(tube.delivery_m, 'm')} of tube. Correct rise or delivery."
        )
        notes.add(line.at("tube", "rise_m"), subject, text)
    elif tube.rise_m is not None and tube.lift_m + tube.rise_m < 0.0:
        above = format_quantity(-(tube.lift_m + tube.rise_m), "m")
        text = (
            f"the liquid's surface is {above} above the outlet: it siphons through the pump if the rollers do not "
            "close off, at rest too, and no relay stops it. Raise the outlet, lower the container or fit a check valve."
        )
        notes.warn(line.at("tube", "lift_m"), subject, text)
    elif tube.rise_m is None and tube.lift_m < 0.0:
        text = (
            f"the liquid's surface is {format_quantity(-tube.lift_m, 'm')} above the pump: unless the outlet is higher "
            "still, it siphons through the pump if the rollers do not close off. Measure how far the outlet is above "
            "the pump and write it as rise (negative below), or lower the container."
        )
        notes.warn(line.at("tube", "lift_m"), subject, text)


def _check_tube(profile: Found, line: Found, notes: Notes) -> None:
    valid, caps = line.valid(Line), profile.get("caps", Caps)
    if valid is None:
        return
    tube = valid.tube
    lift_kpa = tube.lift_m * _WATER_KPA_M
    if lift_kpa >= valid.pump.suction_kpa:
        text = (
            f"lifting water by {format_quantity(tube.lift_m, 'm')} takes {format_quantity(lift_kpa, 'kPa')}, the pump "
            f"draws {format_quantity(valid.pump.suction_kpa, 'kPa')}. Hang it lower or raise the container."
        )
        notes.add(line.at("tube", "lift_m"), f"{_name_of(line)} tube", text)
    if caps is None:
        return
    tube_ml = math.pi / 4 * tube.bore_mm**2 * (tube.suction_m + tube.delivery_m)  # mm2 times m is mL
    rinses = (profile.get("hygiene", Hygiene) or Hygiene()).rinse_line_volumes
    band = flow_band(valid, profile.get("calibration", CalibrationBand) or CalibrationBand())
    most_ml = tube_ml * rinses * _START_UP * band.most_ml_s / band.least_ml_s
    if most_ml > caps.line_volume_ml:
        text = (
            f"its tube holds {format_volume(tube_ml)}; rinsing it {rinses} times takes "
            f"{format_volume(tube_ml * rinses)}, at the upper edge of its pump's flow up to {format_volume(most_ml)}; "
            f"the cap line_volume is {format_volume(caps.line_volume_ml)}. Shorten the tube, raise the cap or state "
            "the flow of this pump more narrowly."
        )
        notes.add(line.at("tube"), _name_of(line), text)


def _check_voltages(profile: Found, notes: Notes) -> None:
    supply, supply_v = profile.at("supply"), profile.at("supply").get("voltage_v", float)
    relays, board = profile.at("relay_board"), profile.at("board")
    if supply_v is None:
        return
    has = f"the supply has {format_quantity(supply_v, 'V')}"
    least_v, coil_v = supply.get("step_down_min_v", float), relays.get("coil_v", float)
    load_v = board.get("load_v", float)
    if least_v is not None and least_v >= supply_v:
        text = f"the step-down needs at least {format_quantity(least_v, 'V')} at its input, {has}."
        notes.add(supply.fields["step_down_min_v"], "supply", text)
    if load_v is not None and load_v >= supply_v:
        text = f"the computer needs {format_quantity(load_v, 'V')} from a step-down, {has}."
        notes.add(board.fields["load_v"], "board", text)
    if coil_v is not None and coil_v > supply_v:
        notes.add(relays.fields["coil_v"], "relay_board", f"the coils need {format_quantity(coil_v, 'V')}, {has}.")


def _check_supply(profile: Found, notes: Notes) -> None:
    """Every line must be able to run alone, and the cap on current must leave the supply within its rating."""
    supply, relays = profile.get("supply", Supply), profile.get("relay_board", RelayBoard)
    board, caps = profile.at("board"), profile.get("caps", Caps)
    load_a, load_v = board.get("load_a", float), board.get("load_v", float)
    if supply is None or relays is None or load_a is None or load_v is None:
        return
    # Coils below the supply's voltage are fed from the step-down, as the computer is.
    step_down = supply.voltage_v * supply.step_down_efficiency
    coil_a = relays.coil_a if relays.coil_v >= supply.voltage_v else relays.coil_a * relays.coil_v / step_down
    computer_a = load_a * load_v / step_down
    standing_a = computer_a + supply.lamps_a
    feeding = int(bool(profile.fields.get("main_relay")))  # a coil of the same kind, taken as one more
    for line in profile.under("lines"):
        pump = line.get("pump", Pump)
        if pump is not None:
            _check_alone(line, pump, supply, standing_a + (1 + feeding) * coil_a, notes)
            _check_cap(line, pump, caps, notes)
    count = len(profile.under("lines"))
    if caps is not None and count:
        most = min(caps.concurrent, count) + feeding
        left_a = supply.rated_a - standing_a - most * coil_a
        if caps.current_a > left_a:
            text = (
                f"pumps may draw {format_current(caps.current_a)}, but of the supply's "
                f"{format_current(supply.rated_a)} only {format_current(max(0.0, left_a))} are left beside the "
                f"computer ({format_current(computer_a)}), lamps ({format_current(supply.lamps_a)}) and "
                f"{most} relay coils ({format_current(most * coil_a)}). Lower the cap or take a larger supply."
            )
            notes.add(profile.at("caps", "current_a"), "cap current", text)


def _check_alone(line: Found, pump: Pump, supply: Supply, standing_a: float, notes: Notes) -> None:
    limits = (
        ("run_a", pump.run_a, supply.rated_a * supply.continuous_fraction, "may give all evening"),
        ("inrush_a", pump.inrush_a, supply.rated_a, "is rated for"),
    )
    for field, current_a, limit_a, words in limits:
        if standing_a + current_a > limit_a:
            text = (
                f"it cannot run even alone: its pump draws {format_current(current_a)}, computer, lamps and relay "
                f"{format_current(standing_a)}; the supply {words} {format_current(limit_a)}. Take a larger supply."
            )
            notes.add(line.at("pump", field), _name_of(line), text)


def _check_cap(line: Found, pump: Pump, caps: Caps | None, notes: Notes) -> None:
    if caps is not None and pump.inrush_a > caps.current_a:
        text = (
            f"it can never run: its pump draws {format_current(pump.inrush_a)} at the start, the cap current is "
            f"{format_current(caps.current_a)}. Raise the cap, within what the supply leaves, or take a smaller pump."
        )
        notes.add(line.at("pump", "inrush_a"), _name_of(line), text)


def _check_flow(profile: Found, notes: Notes) -> None:
    caps, funnel = profile.get("caps", Caps), profile.get("funnel", Funnel)
    if caps is None:
        return
    for line in profile.under("lines"):
        valid = line.valid(Line)
        if valid is None:
            continue
        most_ml_s = flow_band(valid, profile.get("calibration", CalibrationBand) or CalibrationBand()).most_ml_s
        if most_ml_s > caps.flow_ml_s:
            text = (
                f"it can never run: its pump gives up to {format_flow(most_ml_s)}, the cap flow is "
                f"{format_flow(caps.flow_ml_s)}. Raise the cap or take a slower pump."
            )
            notes.add(line.at("pump", "nominal_flow_ml_s"), _name_of(line), text)
    if funnel is not None and caps.flow_ml_s > funnel.drain_ml_s:
        text = (
            f"{format_flow(caps.flow_ml_s)} may come in, but the funnel drains {format_flow(funnel.drain_ml_s)}: it "
            f"fills up, and holds {format_volume(funnel.capacity_ml)}. Lower the cap."
        )
        notes.warn(profile.at("caps", "flow_ml_s"), "cap flow", text)
