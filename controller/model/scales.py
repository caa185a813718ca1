"""The scale that a person weighs with: described once, part of every weighing."""

import math
from typing import Annotated, Literal

from controller.model.fields import Value, ranged

# fmt: off
ScaleStep = Annotated[float, ranged("g", "1 g", above=True, high=10.0, usual=(0.001, 2.0),
    why="with coarser steps a dose of 50 mL is not told from one of 40 mL")]
ScaleSpread = Annotated[float, ranged("g", "0.2 g", high=10.0, usual=(0.0, 1.0),
    why="a scale that shows the same jar so differently is broken")]
ScaleError = Annotated[float, ranged("%", "0.5 %", high=5.0, usual=(0.01, 1.0),
    why="a scale further off is adjusted or thrown away")]
KnownGrams = Annotated[float, ranged("g", "500 g", above=True, high=10_000.0, usual=(50.0, 5000.0),
    why="a check with less says little, and such a scale carries no more")]
# fmt: on

ScaleKind = Literal["kitchen", "pocket", "laboratory"]

# Display step (g), standard deviation of one reading (g), standard uncertainty of the scale factor (%). Steps: retail
# descriptions of kitchen (1 g) and pocket (0.1 g) scales; a balance of class II shows 0.01 g. Kitchen and pocket scales
# are not verified: 1 % and 0.4 % either way, taken as uniform, are common practice, no source. Laboratory: in service
# 2 e with e = 0.1 g (OIML R 76, class II; Directive 2014/31/EU), uniform, at 200 g. Repeatability: a fifth of the step,
# at a balance its whole; common practice, no source.
_TYPICAL: dict[ScaleKind, tuple[float, float, float]] = {
    "kitchen": (1.0, 0.2, 0.58),
    "pocket": (0.1, 0.02, 0.23),
    "laboratory": (0.01, 0.01, 0.06),
}


class KnownMass(Value, frozen=True, kw_only=True):
    """The last check: a mass that is known, and what the scale showed for it.

    Attributes:
        mass_g: what was put on: an adjusting weight, or an unopened pack of stated drained mass
        uncertainty_g: standard uncertainty of that mass
    """

    mass_g: KnownGrams
    shown_g: KnownGrams
    uncertainty_g: ScaleSpread = 0.1


class WeighingScale(Value, frozen=True, kw_only=True):
    """The scale for calibrations and spot checks; what is left out is taken from others of its kind.

    Attributes:
        resolution_g: the step of its display
        repeatability_g: standard deviation of one reading of the same jar
        calibration_percent: standard uncertainty of its scale factor
        checked: in place of calibration: the readings are then corrected
    """

    kind: ScaleKind = "kitchen"
    resolution_g: ScaleStep | None = None
    repeatability_g: ScaleSpread | None = None
    calibration_percent: ScaleError | None = None
    checked: KnownMass | None = None

    @property
    def step_g(self) -> float:
        """Display step, g."""
        return _TYPICAL[self.kind][0] if self.resolution_g is None else self.resolution_g

    @property
    def spread_g(self) -> float:
        """Standard deviation of one reading, g."""
        if self.repeatability_g is not None:
            return self.repeatability_g
        return _TYPICAL[self.kind][1] * self.step_g / _TYPICAL[self.kind][0]

    @property
    def u_net_g(self) -> float:
        """Standard uncertainty of one reading after the jar was tared, g.

        Rounding of the reading within half a step, of the zero within a quarter (EURAMET cg-18 v4.0, as others cite
        it, of scales with type approval), both uniform (GUM, JCGM 100:2008, 4.3.7), and the repeatability.
        """
        return math.sqrt(self.step_g**2 / 12.0 + self.step_g**2 / 48.0 + self.spread_g**2)

    @property
    def factor(self) -> float:
        """Mass per mass shown."""
        return 1.0 if self.checked is None else self.checked.mass_g / self.checked.shown_g

    @property
    def u_factor(self) -> float:
        """Standard uncertainty of the factor, as a fraction of it."""
        if self.checked is not None:
            return math.hypot(self.u_net_g, self.checked.uncertainty_g) / self.checked.mass_g
        percent = _TYPICAL[self.kind][2] if self.calibration_percent is None else self.calibration_percent
        return percent / 100.0

    @property
    def name(self) -> str:
        """As people call it: "kitchen scale, 1 g steps"."""
        return f"{self.kind} scale, {self.step_g:g} g steps"
