"""What /metrics says is what happened, in a format that Prometheus' own parser reads."""

import subprocess
import sys
from typing import cast

import pytest
from msgspec.structs import replace
from prometheus_client.parser import text_string_to_metric_families

from controller.clock import VirtualClock
from controller.engine.engine import Engine as RealEngine
from controller.engine.metrics import Metrics
from controller.model.calibration import Calibration
from controller.model.messages import Delivery, EdgesTimed, Ended, Refusal, ScaleReport
from controller.model.scale import Doubt, ScaleSetting
from controller.model.states import Contents, MachineState, OperationKind, Outcome
from controller.model.views import LineView, OperationView, Status
from controller.model.weighing import WeighedServing

CALIBRATION = Calibration(
    line=1,
    liquid="apple juice",
    flow_ml_s=4.9,
    lag_s=0.05,
    u_flow_ml_s=0.01,
    u_lag_s=0.01,
    cov_flow_lag=0.0,
    taken_wall_s=1_789_000_000.0 - 3600,
)
LINES = (
    LineView(
        line=1,
        liquid="apple juice",
        contents=Contents.LIQUID,
        holds="apple juice",
        remaining_ml=2750.0,
        calibration=CALIBRATION,
        note="",
    ),
    LineView(
        line=2,
        liquid='ginger "syrup"',
        contents=Contents.EMPTY,
        holds=None,
        remaining_ml=None,
        calibration=None,
        note="prime it",
    ),
)
STATUS = Status(
    machine="bench six-line",
    book="Orchard fete",
    guard_connected=True,
    state=MachineState.IDLE,
    fault=None,
    operation=None,
    lines=LINES,
    inputs=None,
)


def metrics_of(engine: "Engine") -> Metrics:
    """What is measured of this stand-in."""
    return Metrics(cast(RealEngine, engine), VirtualClock())


class Engine:
    """Knows the operations that it was given, and hears events."""

    def __init__(self):
        self.present, self.open, self.events = STATUS, {"op1", "op2"}, []

    def status(self):
        return self.present

    def operation(self, operation):
        if operation not in ("op1", "op2"):
            raise KeyError(operation)
        return OperationView(
            operation=operation,
            kind=OperationKind.SERVE,
            recipe="Orchard Fizz",
            times=1.0,
            admitted=True,
            refused=(),
            waiting_for=None,
            outcome=None if operation in self.open else Outcome.DONE,
            reason="",
            lines=(),
            elapsed_s=0.0,
            planned_s=0.0,
        )

    def on_event(self, event):
        self.events.append(event)
        if isinstance(event, Ended):
            self.open.discard(event.operation)


def ended(operation, kind=OperationKind.SERVE, outcome=Outcome.DONE, **liquids):
    return Ended(
        operation=operation,
        kind=kind,
        outcome=outcome,
        reason="",
        deliveries=tuple(
            Delivery(line=number, liquid=liquid, asked_ml=ml, delivered_ml=ml, worst_ml=ml + 2, on_s=ml / 5)
            for number, (liquid, ml) in enumerate(liquids.items(), 1)
        ),
    )


@pytest.fixture
def metrics():
    return metrics_of(Engine())


def values(metrics):
    """(name, labels) -> value, as a monitoring system reads it."""
    families = text_string_to_metric_families(metrics.text().decode())
    return {(one.name, *sorted(one.labels.items())): one.value for family in families for one in family.samples}


def test_servings_and_volumes_are_counted_once_each():
    engine = Engine()
    metrics = metrics_of(engine)
    for event in (
        ended("op1", apple=120.0, soda=60.0),
        ended("op1", apple=120.0, soda=60.0),  # sent again after a new connection
        ended("op2", outcome=Outcome.STOPPED, apple=30.0),
        ended("of another engine", apple=1000.0),
    ):
        metrics.on_event(event)
        engine.on_event(event)
    found = values(metrics)
    assert found["tundish_servings_total", ("outcome", "done")] == 1
    assert found["tundish_servings_total", ("outcome", "stopped")] == 1
    assert found["tundish_delivered_litres_total", ("kind", "serve"), ("liquid", "apple")] == pytest.approx(0.150)
    assert found["tundish_delivered_litres_total", ("kind", "serve"), ("liquid", "soda")] == pytest.approx(0.060)


def test_priming_is_no_serving(metrics):
    metrics.on_event(ended("op1", kind=OperationKind.PRIME, apple=15.0))
    found = values(metrics)
    assert found["tundish_delivered_litres_total", ("kind", "prime"), ("liquid", "apple")] == pytest.approx(0.015)
    assert not [name for name in found if name[0] == "tundish_servings_total"]


def test_refusals_are_counted_by_rule_whoever_refused(metrics):
    metrics.on_event(Refusal(request="op1", rule="serving_ethanol", reason="too strong"))
    metrics.refused("readiness")
    metrics.refused("readiness")
    found = values(metrics)
    assert found["tundish_refusals_total", ("rule", "serving_ethanol")] == 1
    assert found["tundish_refusals_total", ("rule", "readiness")] == 2


def test_lateness_falls_into_classes_that_include_their_upper_bound(metrics):
    metrics.on_event(EdgesTimed(late_s=(0.00004, 0.001, 0.0011)))
    metrics.on_event(EdgesTimed(late_s=(0.5,)))
    found = values(metrics)
    name = "tundish_edge_lateness_seconds"
    classes = ("0.0001", "0.001", "0.0025", "0.1", "+Inf")
    assert [found[f"{name}_bucket", ("le", one)] for one in classes] == [1, 2, 3, 3, 4]
    assert found[f"{name}_count",] == 4
    assert found[f"{name}_sum",] == pytest.approx(0.50214)


def test_the_present_state(metrics):
    found = values(metrics)
    assert found["tundish_guard_connected",] == 1
    assert found["tundish_fault_latched",] == 0
    assert found["tundish_state", ("state", "idle")] == 1
    assert sum(value for name, value in found.items() if name[0] == "tundish_state") == 1
    assert found["tundish_calibration_age_seconds", ("line", "1"), ("liquid", "apple juice")] == 3600
    assert found["tundish_remaining_litres", ("line", "1"), ("liquid", "apple juice")] == 2.75
    assert not [name for name in found if ("line", "2") in name], "nothing is known of it"


def test_nothing_loads_the_library_before_it_is_asked_for():
    code = "import sys, controller.engine.service; print('prometheus_client' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_weighed_servings_are_counted_once_they_have_settled():
    engine = Engine()
    metrics = metrics_of(engine)
    view = engine.operation("op1")
    for u_ml in (None, None, 0.2, 0.2):
        weighed = WeighedServing(grams=99.0, volume_ml=94.8, asked_ml=95.0, u_ml=u_ml)
        metrics.on_view(replace(view, weighed=weighed))
    metrics.on_view(STATUS)
    found = values(metrics)
    assert found["tundish_weighed_servings_total",] == 1
    assert found["tundish_weighed_litres_total",] == pytest.approx(0.0948)
    assert found["tundish_weighed_asked_litres_total",] == pytest.approx(0.095)
    assert ("tundish_scale_trusted",) not in found


@pytest.mark.parametrize(("doubt", "trusted"), [("", 1.0), ("repeats", 0.0)])
def test_a_scale_that_cannot_be_believed_shows(doubt: Doubt, trusted: float):
    engine = Engine()
    engine.present = replace(STATUS, scale=ScaleReport(setting=ScaleSetting(), doubt=doubt))
    assert values(metrics_of(engine))["tundish_scale_trusted",] == trusted
