"""Addresses of the scale under the glass."""

from controller.engine.http.addresses import Address, GuardCommand, get, post
from controller.engine.scale_setup import ScaleSetup
from controller.model.scale import ScaleSetting
from controller.model.scale_views import SpanView

UNTIL_AT_REST = ("scale_restless", "scale_doubtful")  # too few readings yet

SCALE: tuple[Address, ...] = (
    get(
        "/v1/scale",
        "scale",
        "What the scale under the glass shows, and what is wrong with it.",
        ScaleSetup.view,
        asks_guard=True,
    ),
    post(
        "/v1/scale/zero",
        "zero_scale",
        "The platform of the scale is empty.",
        ScaleSetup.zero,
        command=GuardCommand(
            tag="take_scale",
            is_done=lambda engine, _, setting: engine.scale.in_force == setting,
            waits_for=UNTIL_AT_REST,
        ),
    ),
    post(
        "/v1/scale/span",
        "span_scale",
        "A mass that is known stands on the scale.",
        ScaleSetup.span,
        command=GuardCommand(
            tag="take_scale",
            is_done=lambda engine, _, view: _has_span(engine.scale.in_force, view),
            waits_for=UNTIL_AT_REST,
        ),
    ),
)


def _has_span(setting: ScaleSetting, view: SpanView) -> bool:
    return setting.span is not None and setting.span.counts_per_g == view.counts_per_g
