"""The hardware profile: what the machine is and what it may never exceed."""

from typing import Literal

from controller.model import ranges
from controller.model.fields import (
    Count,
    Fraction,
    Gpio,
    Kilopascals,
    LineNumber,
    Metres,
    Millimetres,
    Name,
    Ohms,
    Sentence,
    SignedMetres,
    SquareMillimetres,
    Value,
    Volts,
)
from controller.model.scale import Scale
from controller.model.scales import WeighingScale
from controller.model.standard_drinks import StandardDrink
from controller.model.wiring import (
    CHANNEL,
    InputRow,
    Inputs,
    Level,
    MainRelay,
    OutputRow,
    Outputs,
    input_rows,
    output_row,
    signal_rows,
)

LEAST_FLOW_ML_S = 0.01  # a pump that may move less than this cannot be planned with
CURRENT_SWITCH_A = 0.1  # a current contact must have closed at this current in the pumps' feed


class Wire(Value, frozen=True, kw_only=True):
    """A two-core copper wire; the current flows its length there and back."""

    section_mm2: SquareMillimetres  # written as "0.5 mm2" or "22 AWG"
    length_m: Metres  # one way


class BoardSpec(Value, frozen=True, kw_only=True):
    """The single-board computer."""

    backend: Literal["gpio", "bench"]
    chip: Name = "pinctrl-bcm2835"  # label of the GPIO chip that carries the header
    boot_lines: tuple[Sentence, ...] = ()  # gpio=... lines that stand in the boot configuration, e.g. "gpio=17=op,dh"
    load_a: ranges.LoadCurrent  # drawn by the computer at its own voltage
    load_v: Volts  # that voltage


class Supply(Value, frozen=True, kw_only=True):
    """The one supply that feeds pumps, relays and, through a step-down, the board."""

    voltage_v: Volts
    rated_a: ranges.RatedCurrent
    continuous_fraction: Fraction  # of rated_a that may be drawn all evening
    source_ohm: Ohms  # inner resistance with its connectors
    feed: Wire  # from the supply to the pumps' common point
    step_down_efficiency: Fraction
    step_down_min_v: Volts  # below this input voltage the board browns out
    lamps_a: ranges.LampsCurrent = 0.0


class RelayBoard(Value, frozen=True, kw_only=True):
    """The relay board."""

    channels: Count
    active_level: Level  # level at the GPIO that pulls a relay in
    operate_s: ranges.RelayTime  # from level to closed contact
    release_s: ranges.RelayTime  # from level to open contact
    coil_a: ranges.CoilCurrent  # per relay that is on, at coil_v
    coil_v: Volts


class Pump(Value, frozen=True, kw_only=True):
    """A brushed peristaltic pump, as its data sheet has it."""

    nominal_flow_ml_s: ranges.NominalFlow
    run_a: ranges.RunCurrent
    inrush_a: ranges.InrushCurrent  # total current just after switching on
    inrush_s: ranges.InrushTime  # how long it lasts
    rotation: Literal["clockwise", "counterclockwise"]  # seen from the front, for the wiring table
    suction_kpa: Kilopascals = 60.0  # the vacuum it can draw
    coast_s: ranges.CoastTime = 0.06  # from voltage off to standstill; common practice for a geared motor, no source


class Tube(Value, frozen=True, kw_only=True):
    """The tubing of one line."""

    bore_mm: Millimetres
    suction_m: Metres  # container to pump
    delivery_m: Metres  # pump to funnel
    lift_m: SignedMetres  # pump above the liquid's surface
    rise_m: SignedMetres | None = None  # outlet above the pump, negative below it; with lift it says whether it siphons


class FlowBand(Value, frozen=True, kw_only=True):
    """What one pump moves with its tube full, whatever it is calibrated to: with any liquid, whatever runs beside it.

    The guard counts what fills a glass by `most`, and what rinses, empties or soaks a line by `least`.
    """

    least_ml_s: ranges.NominalFlow
    most_ml_s: ranges.MostFlow


class Line(Value, frozen=True, kw_only=True):
    """One liquid's way from container to funnel."""

    line: LineNumber
    gpio: Gpio  # BCM number
    channel: Count  # relay channel
    pump: Pump
    tube: Tube
    wire: Wire  # from the pumps' common point to this pump
    flow: FlowBand | None = None  # as commissioned; without it as wide as pumps are bought (calibration.flow_fraction)


class Funnel(Value, frozen=True, kw_only=True):
    """The funnel over the glass."""

    drain_ml_s: ranges.DrainFlow  # combined flow that it drains without filling up
    capacity_ml: ranges.FunnelVolume
    settle_s: ranges.SettleTime  # pause between two phases of a recipe, for the funnel to drain


class Caps(Value, frozen=True, kw_only=True):
    """Hard limits. The guard enforces every one; nothing at run time can raise them."""

    serving_volume_ml: ranges.ServingVolume
    serving_time_s: ranges.ServingTime  # pumps' time, begin to last end, waits for people left out
    run_on_s: ranges.RunTime  # one run
    operation_on_s: ranges.LineTime  # one line, summed over one operation
    duty_fraction: Fraction  # of duty_window_s that one pump may run
    duty_window_s: ranges.DutyWindow
    current_a: ranges.PumpsCurrent  # all pumps together, inrush included, at any instant
    flow_ml_s: ranges.FunnelFlow  # into the funnel at any instant
    concurrent: ranges.Concurrent  # lines on at once
    start_gap_s: ranges.StartGap  # least time between two starts
    line_volume_ml: ranges.LineVolume  # one line in one prime, purge, clean, rinse, trial
    jog_s: ranges.JogTime  # one jog
    serving_ethanol_g: ranges.ServingEthanol
    hour_ethanol_g: ranges.HourEthanol  # in any rolling hour
    hour_servings: ranges.HourServings  # in any rolling hour
    serving_pause_s: ranges.ServingPause  # between two servings
    held_s: ranges.HeldTime  # an operation held longer than this is aborted
    operation_time_s: ranges.OperationTime = 600.0  # from the begin to the last end of an operation that is no serving
    hand_step_s: ranges.HandStepTime = 600.0  # the most that a recipe may give a person for a hand step


class Hygiene(Value, frozen=True, kw_only=True):
    """Cleaning figures of this machine; the product label and local codes come first.

    Sources of the defaults: Brewers Association, Draught Beer Quality Manual, as quoted by others (every 14 days, and
    20 min with a cleaner that stands); FDA Food Code 4-602.11(E) (iced tea dispensers every 24 h) and 4-602.11(C)
    (surfaces that touch perishable food every 4 h; from memory); the rest is common practice, no source.
    """

    rinse_line_volumes: Count = 5  # line volumes of rinse water after a cleaner
    cleaner_contact_s: ranges.ContactTime = 1200.0  # how long a cleaner stands in a line
    clean_every_s: ranges.CleaningInterval = 14 * 86400.0  # at most from the first liquid to the next cleaning
    clean_tea_every_s: ranges.TeaInterval = 86400.0  # the same, for liquids whose care is tea
    clean_perishable_every_s: ranges.PerishableInterval = 4 * 3600.0  # the same, for liquids whose care is perishable
    jug_ml: ranges.JugVolume = 2000.0  # what the jug under the outlet takes


class CalibrationBand(Value, frozen=True, kw_only=True):
    """How far a calibration may lie from what the profile says before the guard refuses it.

    flow_fraction: how far a pump as bought may lie from its nominal flow, for lines that state no `flow` of their own.
    The default is the widest spread between pumps of one type in the Omega FPU5MT manual, tables 9-2 and 9-3.
    """

    flow_fraction: Fraction = 0.25
    lag_s: ranges.LagBand = 1.0


class Ageing(Value, frozen=True, kw_only=True):
    """When a calibration is too old to be trusted: flagged from these on, blocked for small doses from twice them.

    The defaults are common practice for a machine that works some evenings a year; no source.
    """

    age_s: ranges.CalibrationAge = 30 * 86400.0  # since it was taken
    throughput_ml: ranges.CalibrationVolume = 50_000.0  # through the pump since then
    running_s: ranges.CalibrationRunning = 10 * 3600.0  # of the pump since then
    small_dose_ml: ranges.SmallDose = 15.0  # doses below this are refused on a blocked line


class Profile(Value, frozen=True, kw_only=True):
    """A whole machine."""

    machine: Name
    board: BoardSpec
    supply: Supply
    relay_board: RelayBoard
    lines: tuple[Line, ...]
    inputs: Inputs
    funnel: Funnel
    caps: Caps
    hygiene: Hygiene = Hygiene()
    standard_drink: StandardDrink | None = None  # the country whose standard drink the menu counts in
    calibration: CalibrationBand = CalibrationBand()
    ageing: Ageing = Ageing()
    weighing: WeighingScale = WeighingScale()  # what a person weighs with
    main_relay: MainRelay | None = None
    scale: Scale | None = None  # the load cell under the glass; without it nothing is weighed while it pours
    outputs: Outputs = Outputs()

    @property
    def input_table(self) -> tuple[InputRow, ...]:
        """Everything that the guard reads."""
        return input_rows(self.inputs)

    @property
    def output_table(self) -> tuple[OutputRow, ...]:
        """Everything that the guard drives; the main relay, if any, first: it alone takes every pump's voltage."""
        main = () if self.main_relay is None else (output_row(MainRelay.role, self.main_relay),)
        channels = (
            OutputRow(
                name=f"{CHANNEL.name} {line.line}",
                role=CHANNEL,
                gpio=line.gpio,
                active_level=self.relay_board.active_level,
                line=line.line,
            )
            for line in self.lines
        )
        return (*main, *channels, *signal_rows(self.outputs))

    def line(self, number: int) -> Line:
        """The line with this number; KeyError when there is none."""
        for line in self.lines:
            if line.line == number:
                return line
        raise KeyError(number)

    def flow_band(self, number: int) -> FlowBand:
        """What this line's pump moves at the least and at the most; KeyError when there is no such line."""
        return flow_band(self.line(number), self.calibration)


def flow_band(line: Line, bought: CalibrationBand) -> FlowBand:
    """The line's own band, or the one of a pump as bought."""
    if line.flow is not None:
        return line.flow
    nominal_ml_s, fraction = line.pump.nominal_flow_ml_s, bought.flow_fraction
    return FlowBand(
        least_ml_s=max(LEAST_FLOW_ML_S, nominal_ml_s * (1 - fraction)), most_ml_s=nominal_ml_s * (1 + fraction)
    )
