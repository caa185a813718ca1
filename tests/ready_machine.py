"""A machine in virtual time that could pour: primed, with a glass, calibrated by the bench's own truth."""

from controller.model.calibration import Calibration
from controller.model.messages import TakeCalibration
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import prime_all
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_six_line", "orchard_fete")


def ready_machine(profile=PROFILE, book=BOOK, *, seed=3, poll_under_way_s=0.2, **more):
    """Weighing is tested elsewhere. Whoever asks for it closes it.

    Contacts are read five times a second, as in rehearsals: where a test is about contacts it asks for the guard's own.
    """
    made = VirtualMachine(profile, book, seed=seed, poll_under_way_s=poll_under_way_s, **more)
    prime_all(made, tuple(line.line for line in profile.lines))
    for one in made.plant.truth_report():
        calibration = Calibration(
            line=one.line,
            liquid=one.liquid,
            flow_ml_s=one.flow_ml_s,
            lag_s=one.lag_s,
            u_flow_ml_s=0.01,
            u_lag_s=0.01,
            cov_flow_lag=0.0,
            sag_per_a=one.sag_per_a,
            taken_wall_s=made.clock.wall_s(),
        )
        made.guard.handle("engine", TakeCalibration(calibration=calibration))
    made.plant.place_glass("tall glass")
    made.pass_time(3.0)
    return made


def without_glass():
    """The same, its glass taken away."""
    made = ready_machine()
    made.plant.lift_glass()
    made.pass_time(2.0)
    return made
