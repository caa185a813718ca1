"""A rehearsed machine calibrates its lines on its own scale; whoever is there sets the jar down and empties it."""

from controller.model.hands_free import HandsFreeRequest, HandsFreeView
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import JAR_ML, SETTLE_S

JAR_G_ML = 0.325  # of a plain jug, by what it takes; invented
EMPTYING_S = 20.0
LONGEST_S = 3600.0


def calibrate_all(machine: VirtualMachine, *, by: str, jar_ml: float = JAR_ML, most_ml: float = 250.0) -> HandsFreeView:
    """From a spanned scale with nothing on it to calibrations of all lines; TimeoutError when it does not end."""
    hands_free = machine.engine.hands_free
    view = hands_free.begin(HandsFreeRequest(jar_ml=jar_ml, most_ml=most_ml, by=by))
    end_s = machine.clock.now_s() + LONGEST_S
    while view.state != "done":
        if machine.clock.now_s() > end_s:
            raise TimeoutError(f"not calibrated within {LONGEST_S:g} s: {view}")
        if view.state == "jar":
            set_down(machine, jar_ml)
        elif view.state == "empty":
            machine.plant.lift_glass()
            machine.pass_time(EMPTYING_S)
            set_down(machine, jar_ml)
        machine.pass_time(view.again_s)
        view = hands_free.next()
    machine.plant.lift_glass()
    machine.pass_time(SETTLE_S)
    return view


def set_down(machine: VirtualMachine, jar_ml: float) -> None:
    """Set an empty jar under the outlet."""
    machine.plant.place_glass("jar", brim_ml=jar_ml, empty_g=JAR_G_ML * jar_ml)
    machine.pass_time(SETTLE_S)
