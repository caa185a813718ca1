"""An engine on a virtual clock, and a guard that the test plays: what it reports, and what it was asked."""

from itertools import count

from controller.clock import VirtualClock
from controller.engine.engine import Engine
from controller.ledger.store import Ledger
from controller.model.calibration import Calibration
from controller.model.messages import Admitted, Changed, Command, InputReport, LineReport, Report
from controller.model.states import Contents, MachineState, OperationKind
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_six_line", "orchard_fete")
LIQUIDS = {one.line: one.liquid for one in BOOK.lines}


def calibration(line, flow_ml_s=5.0, sag_per_a=0.01):
    return Calibration(
        line=line,
        liquid=LIQUIDS[line],
        flow_ml_s=flow_ml_s,
        lag_s=0.05,
        u_flow_ml_s=0.01,
        u_lag_s=0.005,
        cov_flow_lag=0.0,
        sag_per_a=sag_per_a,
    )


def report(*, calibrated=True, contents=Contents.LIQUID, fault=None, state=MachineState.IDLE, glass=True):
    lines = tuple(
        LineReport(
            line=line,
            liquid=liquid,
            contents=contents,
            holds=liquid if contents == Contents.LIQUID else None,
            is_on=False,
            calibration=calibration(line) if calibrated else None,
        )
        for line, liquid in LIQUIDS.items()
    )
    inputs = InputReport(stop_pressed=False, glass_present=glass)
    return Report(state=state, fault=fault, operation=None, waiting_for=None, lines=lines, inputs=inputs)


class Desk:
    """An engine on a virtual clock, and the commands it has sent."""

    def __init__(self, first=None, profile=PROFILE):
        self.clock = VirtualClock()
        self.sent: list[Command] = []
        self.ledger = Ledger(":memory:")
        numbers = count(1)
        self.engine = Engine(
            profile=profile,
            book=BOOK,
            ledger=self.ledger,
            clock=self.clock,
            send=self.sent.append,
            new_id=lambda: f"op{next(numbers)}",
        )
        if first is not None:
            self.engine.on_event(first)

    def of(self, kind):
        return [one for one in self.sent if isinstance(one, kind)]

    def admit(self, operation="op1", kind=OperationKind.SERVE):
        self.engine.on_event(Admitted(operation=operation, kind=kind))
        self.engine.on_event(Changed(state=MachineState.EXECUTE, reason="", operation=operation))
