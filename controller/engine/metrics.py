"""Figures for a monitoring system, in the text format of Prometheus: counted as they happen, written when asked for.

Counters begin at zero with the process, as that format expects. prometheus_client is loaded by the first scrape, so
that a machine that nobody scrapes does not carry it.
"""

import asyncio
from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from importlib import import_module
from typing import TYPE_CHECKING, Any

from controller.clock import Clock
from controller.engine.engine import Engine
from controller.model.messages import EdgesTimed, Ended, Event, Refusal
from controller.model.states import MachineState, OperationKind
from controller.model.views import OperationView

if TYPE_CHECKING:
    from prometheus_client import Metric

# Upper bounds of the classes of lateness (s); the reach is 1 ms.
LATENESS_S = (0.0001, 0.00025, 0.0005, 0.001, 0.0025, 0.005, 0.01, 0.1)

LABELS = {
    "servings": ("outcome",),
    "delivered_litres": ("liquid", "kind"),
    "refusals": ("rule",),
    "state": ("state",),
    "calibration_age_seconds": ("line", "liquid"),
    "remaining_litres": ("line", "liquid"),
}


class Metrics:
    """Counts the guard's events, each before the engine hears of it."""

    def __init__(self, engine: Engine, clock: Clock) -> None:
        self._engine, self._clock = engine, clock
        self._servings: Counter[str] = Counter()  # by outcome
        self._delivered_ml: Counter[tuple[str, str]] = Counter()  # by liquid and kind of operation
        self._refusals: Counter[str] = Counter()  # by rule
        self._edges = [0] * (len(LATENESS_S) + 1)  # by class of lateness, the last one open
        self._late_s = 0.0
        self._weighed = [0, 0.0, 0.0]  # servings that the scale has weighed, mL by it, mL asked for
        self._weighed_last = ""

    # --- the guard's events

    def on_event(self, event: Event) -> None:
        """Count it."""
        match event:
            case Ended():
                self._count_end(event)
            case Refusal(rule=rule):
                self._refusals[rule] += 1
            case EdgesTimed(late_s=late_s):
                for one in late_s:
                    self._edges[bisect_left(LATENESS_S, one)] += 1
                self._late_s += sum(late_s)
            case _:
                pass

    def refused(self, rule: str) -> None:
        """The engine itself refused something by this rule."""
        self._refusals[rule] += 1

    def on_view(self, view: object) -> None:
        """Hear what the engine tells of its operations: count each serving whose weight has settled."""
        if not isinstance(view, OperationView) or view.operation == self._weighed_last:
            return
        if view.weighed is not None and view.weighed.u_ml is not None:
            self._weighed_last = view.operation
            self._weighed[0] += 1
            self._weighed[1] += view.weighed.volume_ml
            self._weighed[2] += view.weighed.asked_ml

    # --- scrapes

    async def load(self) -> None:
        """Load prometheus_client, the first time, in a thread of its own: the loop goes on meanwhile."""
        await asyncio.to_thread(import_module, "prometheus_client.core")

    def text(self) -> bytes:
        """Everything, in the text format."""
        from prometheus_client import CollectorRegistry, generate_latest

        registry = CollectorRegistry(auto_describe=False)
        registry.register(self)
        return generate_latest(registry)

    def collect(self) -> Iterable["Metric"]:
        """Everything, as prometheus_client takes it."""
        yield from self._counters()
        yield self._lateness()
        yield from self._present()

    def _count_end(self, ended: Ended) -> None:
        """The guard reports the last end again after every connection: only what is still open here is counted."""
        try:
            if self._engine.operation(ended.operation).outcome is not None:
                return
        except KeyError:
            return
        if ended.kind == OperationKind.SERVE:
            self._servings[ended.outcome] += 1
        for one in ended.deliveries:
            self._delivered_ml[one.liquid, ended.kind] += one.delivered_ml  # type: ignore[assignment]

    def _counters(self) -> Iterator["Metric"]:
        from prometheus_client.core import CounterMetricFamily as Counted

        litres = {names: volume_ml / 1000 for names, volume_ml in self._delivered_ml.items()}
        servings, refusals = ({(one,): n for one, n in kept.items()} for kept in (self._servings, self._refusals))
        yield _family(Counted, "servings", "Servings that are over.", servings)
        yield _family(Counted, "delivered_litres", "Volume moved, as worked out by the guard.", litres)
        yield _family(Counted, "refusals", "What was refused, by rule.", refusals)
        servings_weighed, weighed_ml, asked_ml = self._weighed
        yield _family(Counted, "weighed_servings", "Servings that the scale has weighed.", {(): servings_weighed})
        yield _family(Counted, "weighed_litres", "What they came to by the scale.", {(): weighed_ml / 1000})
        yield _family(Counted, "weighed_asked_litres", "What was asked for in them.", {(): asked_ml / 1000})

    def _lateness(self) -> "Metric":
        from prometheus_client.core import HistogramMetricFamily

        found = HistogramMetricFamily("tundish_edge_lateness_seconds", "How late channels were switched.")
        buckets, so_far = [], 0
        for bound, count in zip((*map(str, LATENESS_S), "+Inf"), self._edges, strict=True):
            so_far += count
            buckets.append((bound, float(so_far)))
        found.add_metric([], buckets, self._late_s)
        return found

    def _present(self) -> Iterator["Metric"]:
        from prometheus_client.core import GaugeMetricFamily as Gauge

        status, wall_s = self._engine.status(), self._clock.wall_s()
        connected, fault = float(status.guard_connected), float(status.fault is not None)
        named = {(str(line.line), line.liquid or ""): line for line in status.lines}
        known = {names: line.calibration for names, line in named.items() if line.calibration is not None}
        ages = {names: max(0.0, wall_s - one.taken_wall_s) for names, one in known.items()}
        left = {names: one.remaining_ml / 1000 for names, one in named.items() if one.remaining_ml is not None}
        states = {(state.value,): float(state == status.state) for state in MachineState}
        yield _family(Gauge, "guard_connected", "Whether the engine reaches the guard.", {(): connected})
        yield _family(Gauge, "fault_latched", "Whether the machine waits for a person.", {(): fault})
        yield _family(Gauge, "state", "1 for the present state of the machine.", states)
        yield _family(Gauge, "calibration_age_seconds", "Time since a line was calibrated.", ages)
        if status.scale is not None:
            trusted = float(status.scale.doubt == "")
            yield _family(Gauge, "scale_trusted", "Whether the scale under the glass can be believed.", {(): trusted})
        yield _family(Gauge, "remaining_litres", "What is left, as booked.", left)


def _family(kind: Any, name: str, says: str, samples: Mapping[Any, float]) -> "Metric":
    """Figures of one name, by the values of its labels."""
    family = kind(f"tundish_{name}", says, labels=LABELS.get(name, ()))
    for names, value in samples.items():
        family.add_metric(names, value)
    found: Metric = family
    return found
