"""Addresses of the scale under the glass."""

from controller.engine.http.addresses import Address, GuardCommand, get, post
from controller.model.scale import ScaleSetting
from controller.model.scale_views import ScaleView, SpanRequest, SpanView, ZeroRequest

SCALE: tuple[Address, ...] = (
    get(
        "/v1/scale",
        "scale",
        "What the scale under the glass shows, and what is wrong with it.",
        ScaleView,
        ask=lambda engine, _: engine.scale.view(),
        asks_guard=True,
    ),
    post(
        "/v1/scale/zero",
        "zero_scale",
        "The platform of the scale is empty.",
        ZeroRequest,
        ScaleSetting,
        ask=lambda engine, asked: engine.scale.zero(asked),
        command=GuardCommand(tag="take_scale", is_done=lambda engine, _, setting: engine.scale.in_force == setting),
    ),
    post(
        "/v1/scale/span",
        "span_scale",
        "A mass that is known stands on the scale.",
        SpanRequest,
        SpanView,
        ask=lambda engine, asked: engine.scale.span(asked),
        command=GuardCommand(tag="take_scale", is_done=lambda engine, _, view: _has_span(engine.scale.in_force, view)),
    ),
)


def _has_span(setting: ScaleSetting, view: SpanView) -> bool:
    return setting.span is not None and setting.span.counts_per_g == view.counts_per_g
