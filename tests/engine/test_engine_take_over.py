"""Who pours what a dry line still owes: worked out from what each twin has left and has done."""

from pathlib import Path

from controller.config import load
from controller.engine.tracking import Tracking
from controller.ledger.records import Intent
from controller.model.calibration import Calibration
from controller.model.messages import Edge
from controller.model.plan import Operation
from controller.model.states import OperationKind
from controller.sequencing.plan import Wanted
from controller.sequencing.twins import Source

ROOT = Path(__file__).resolve().parents[2]
PROFILE, _book, _warnings = load(ROOT / "hardware_profiles/eight_line.yaml", ROOT / "demo/harvest_supper.yaml")


def want(line: int, volume_ml: float, phase: int = 0) -> Wanted:
    return Wanted(line=line, liquid="apple juice", volume_ml=volume_ml, phase=phase)


def tracked(*segments: tuple[Wanted, ...], **most_ml: float) -> Tracking:
    """A serving of apple juice from lines 1, 2 and 3, all of 5 mL/s without lag or sag."""
    known = {
        line: Calibration(
            line=line, liquid="apple juice", flow_ml_s=5.0, lag_s=0.0, u_flow_ml_s=0.0, u_lag_s=0.0, cov_flow_lag=0.0
        )
        for line in (1, 2, 3)
    }
    twins = tuple(Source(line=line, most_ml=most_ml.get(f"line_{line}", 1e9)) for line in (1, 2, 3))
    return Tracking(
        asked=Operation(operation="a", kind=OperationKind.SERVE, segments=()),
        wanted=segments,
        times=1.0,
        planned_s=0.0,
        calibrations=known,
        sources={"apple juice": twins},
        profile=PROFILE,
        intent=Intent(operation="a", kind=OperationKind.SERVE, asked_wall_s=0.0),
    )


def ran(tracking: Tracking, line: int, start_s: float, end_s: float) -> None:
    """The line was on; the operation began at 0 s."""
    for at_s, is_on in ((start_s, True), (end_s, False)):
        tracking.on_edge(Edge(operation="a", line=line, is_on=is_on, at_s=at_s), at_s)


def volumes_ml(wanted: tuple[Wanted, ...]) -> dict[tuple[int, int], float]:
    return {(one.line, one.phase): round(one.volume_ml, 9) for one in wanted}


def test_a_twin_that_is_through_with_its_share_pours_again():
    """Line 2 has given its 10 mL; line 1 has given 20 of 60 mL: 40 mL go to lines 2 and 3 in equal parts."""
    tracking = tracked((want(1, 60.0), want(2, 10.0)))
    ran(tracking, 1, 0.0, 4.0)
    ran(tracking, 2, 0.1, 2.1)
    found = tracking.handed_over({1}, 5.0)
    assert found is not None
    assert volumes_ml(found[0]) == {(1, 0): 20.0, (2, 0): 30.0, (3, 0): 20.0}


def test_a_twin_of_a_later_phase_or_part_keeps_what_that_needs():
    """Line 2 surely holds 35 mL, of which 30 mL are for later: it can give 5, line 3 gives the other 35 mL."""
    tracking = tracked((want(1, 60.0), want(2, 20.0, phase=1)), (want(2, 10.0),), line_2=35.0)
    ran(tracking, 1, 0.0, 4.0)
    found = tracking.handed_over({1}, 5.0)
    assert found is not None
    assert volumes_ml(found[0]) == {(1, 0): 20.0, (2, 0): 5.0, (3, 0): 35.0, (2, 1): 20.0}
    assert found[1] == tracking.wanted[1]


def test_twins_take_over_only_what_they_can_give():
    tracking = tracked((want(1, 60.0),), line_2=10.0, line_3=10.0)
    ran(tracking, 1, 0.0, 4.0)
    assert tracking.handed_over({1}, 5.0) is None
    assert tracking.handed_over({1, 2, 3}, 5.0) is None


def test_a_line_that_owes_nothing_is_not_replaced():
    tracking = tracked((want(1, 20.0),))
    ran(tracking, 1, 0.0, 4.0)
    assert tracking.handed_over({1}, 5.0) is None
