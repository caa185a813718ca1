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
    """A two-core copper wire; the current flows its length there and back.

    Attributes:
        section_mm2: written as "0.5 mm2" or "22 AWG"
        length_m: one way
    """

    section_mm2: SquareMillimetres
    length_m: Metres


class BoardSpec(Value, frozen=True, kw_only=True):
    """The single-board computer.

    Attributes:
        chip: label of the GPIO chip that carries the header
        boot_lines: gpio=... lines that stand in the boot configuration, e.g. "gpio=17=op,dh"
        load_a: drawn by the computer at its own voltage
        load_v: that voltage
    """

    backend: Literal["gpio", "bench"]
    chip: Name = "pinctrl-bcm2835"
    boot_lines: tuple[Sentence, ...] = ()
    load_a: ranges.LoadCurrent
    load_v: Volts


class Supply(Value, frozen=True, kw_only=True):
    """The one supply that feeds pumps, relays and, through a step-down, the board.

    Attributes:
        continuous_fraction: of rated_a that may be drawn all evening
        source_ohm: inner resistance with its connectors
        feed: from the supply to the pumps' common point
        step_down_min_v: below this input voltage the board browns out
        shared_as: the supply's name where it feeds another machine, too; rated_a is then that of the whole supply
    """

    voltage_v: Volts
    rated_a: ranges.RatedCurrent
    continuous_fraction: Fraction
    source_ohm: Ohms
    feed: Wire
    step_down_efficiency: Fraction
    step_down_min_v: Volts
    lamps_a: ranges.LampsCurrent = 0.0
    shared_as: Name | None = None


class RelayBoard(Value, frozen=True, kw_only=True):
    """The relay board.

    Attributes:
        active_level: level at the GPIO that pulls a relay in
        operate_s: from level to closed contact
        release_s: from level to open contact
        coil_a: per relay that is on, at coil_v
    """

    channels: Count
    active_level: Level
    operate_s: ranges.RelayTime
    release_s: ranges.RelayTime
    coil_a: ranges.CoilCurrent
    coil_v: Volts


class Pump(Value, frozen=True, kw_only=True):
    """A brushed peristaltic pump, as its data sheet has it.

    Attributes:
        inrush_a: total current just after switching on
        inrush_s: how long it lasts
        rotation: seen from the front, for the wiring table
        suction_kpa: the vacuum it can draw
        coast_s: from voltage off to standstill; common practice for a geared motor, no source
    """

    nominal_flow_ml_s: ranges.NominalFlow
    run_a: ranges.RunCurrent
    inrush_a: ranges.InrushCurrent
    inrush_s: ranges.InrushTime
    rotation: Literal["clockwise", "counterclockwise"]
    suction_kpa: Kilopascals = 60.0
    coast_s: ranges.CoastTime = 0.06


class Tube(Value, frozen=True, kw_only=True):
    """The tubing of one line.

    Attributes:
        suction_m: container to pump
        delivery_m: pump to funnel
        lift_m: pump above the liquid's surface
        rise_m: outlet above the pump, negative below it; with lift it says whether it siphons
    """

    bore_mm: Millimetres
    suction_m: Metres
    delivery_m: Metres
    lift_m: SignedMetres
    rise_m: SignedMetres | None = None


class FlowBand(Value, frozen=True, kw_only=True):
    """What one pump moves with its tube full, whatever it is calibrated to: with any liquid, whatever runs beside it.

    The guard counts what fills a glass by `most`, and what rinses, empties or soaks a line by `least`.
    """

    least_ml_s: ranges.NominalFlow
    most_ml_s: ranges.MostFlow


class Line(Value, frozen=True, kw_only=True):
    """One liquid's way from container to funnel.

    Attributes:
        gpio: BCM number
        channel: relay channel
        wire: from the pumps' common point to this pump
        flow: as commissioned; without it as wide as pumps are bought (calibration.flow_fraction)
    """

    line: LineNumber
    gpio: Gpio
    channel: Count
    pump: Pump
    tube: Tube
    wire: Wire
    flow: FlowBand | None = None


class Funnel(Value, frozen=True, kw_only=True):
    """The funnel over the glass.

    Attributes:
        drain_ml_s: combined flow that it drains without filling up
        settle_s: pause between two phases of a recipe, for the funnel to drain
    """

    drain_ml_s: ranges.DrainFlow
    capacity_ml: ranges.FunnelVolume
    settle_s: ranges.SettleTime


class Caps(Value, frozen=True, kw_only=True):
    """Hard limits. The guard enforces every one; nothing at run time can raise them.

    Attributes:
        serving_time_s: pumps' time, begin to last end, waits for people left out
        run_on_s: one run
        operation_on_s: one line, summed over one operation
        duty_fraction: of duty_window_s that one pump may run
        current_a: all pumps together, inrush included, at any instant
        flow_ml_s: into the funnel at any instant
        concurrent: lines on at once
        start_gap_s: least time between two starts
        line_volume_ml: one line in one prime, purge, clean, rinse, trial
        jog_s: one jog
        hour_ethanol_g: in any rolling hour
        hour_servings: in any rolling hour
        serving_pause_s: between two servings
        held_s: an operation held longer than this is aborted
        operation_time_s: from the begin to the last end of an operation that is no serving
        hand_step_s: the most that a recipe may give a person for a hand step
    """

    serving_volume_ml: ranges.ServingVolume
    serving_time_s: ranges.ServingTime
    run_on_s: ranges.RunTime
    operation_on_s: ranges.LineTime
    duty_fraction: Fraction
    duty_window_s: ranges.DutyWindow
    current_a: ranges.PumpsCurrent
    flow_ml_s: ranges.FunnelFlow
    concurrent: ranges.Concurrent
    start_gap_s: ranges.StartGap
    line_volume_ml: ranges.LineVolume
    jog_s: ranges.JogTime
    serving_ethanol_g: ranges.ServingEthanol
    hour_ethanol_g: ranges.HourEthanol
    hour_servings: ranges.HourServings
    serving_pause_s: ranges.ServingPause
    held_s: ranges.HeldTime
    operation_time_s: ranges.OperationTime = 600.0
    hand_step_s: ranges.HandStepTime = 600.0


class Hygiene(Value, frozen=True, kw_only=True):
    """Cleaning figures of this machine; the product label and local codes come first.

    Sources of the defaults: Brewers Association, Draught Beer Quality Manual, as quoted by others (every 14 days, and
    20 min with a cleaner that stands); FDA Food Code 4-602.11(E) (iced tea dispensers every 24 h) and 4-602.11(C)
    (surfaces that touch perishable food every 4 h; from memory); the rest is common practice, no source.

    Attributes:
        rinse_line_volumes: line volumes of rinse water after a cleaner
        cleaner_contact_s: how long a cleaner stands in a line
        clean_every_s: at most from the first liquid to the next cleaning
        clean_tea_every_s: the same, for liquids whose care is tea
        clean_perishable_every_s: the same, for liquids whose care is perishable
        jug_ml: what the jug under the outlet takes
    """

    rinse_line_volumes: Count = 5
    cleaner_contact_s: ranges.ContactTime = 1200.0
    clean_every_s: ranges.CleaningInterval = 14 * 86400.0
    clean_tea_every_s: ranges.TeaInterval = 86400.0
    clean_perishable_every_s: ranges.PerishableInterval = 4 * 3600.0
    jug_ml: ranges.JugVolume = 2000.0


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

    Attributes:
        age_s: since it was taken
        throughput_ml: through the pump since then
        running_s: of the pump since then
        small_dose_ml: doses below this are refused on a blocked line
    """

    age_s: ranges.CalibrationAge = 30 * 86400.0
    throughput_ml: ranges.CalibrationVolume = 50_000.0
    running_s: ranges.CalibrationRunning = 10 * 3600.0
    small_dose_ml: ranges.SmallDose = 15.0


class Profile(Value, frozen=True, kw_only=True):
    """A whole machine.

    Attributes:
        standard_drink: the country whose standard drink the menu counts in
        weighing: what a person weighs with
        scale: the load cell under the glass; without it nothing is weighed while it pours
    """

    machine: Name
    board: BoardSpec
    supply: Supply
    relay_board: RelayBoard
    lines: tuple[Line, ...]
    inputs: Inputs
    funnel: Funnel
    caps: Caps
    hygiene: Hygiene = Hygiene()
    standard_drink: StandardDrink | None = None
    calibration: CalibrationBand = CalibrationBand()
    ageing: Ageing = Ageing()
    weighing: WeighingScale = WeighingScale()
    main_relay: MainRelay | None = None
    scale: Scale | None = None
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
