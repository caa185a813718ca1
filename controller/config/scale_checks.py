"""Checks of the scale under the glass: does its converter fit the board, its rate, and what it carries?"""

from controller.config.diagnostics import Found, Notes
from controller.model.scale import RATES, Scale
from controller.quantities import format_quantity

LIGHTEST_LOAD = 0.5  # of the capacity: what carries the glass may take no more of it; common practice, no source


def check_scale(profile: Found, notes: Notes) -> None:
    """Note what of the scale contradicts itself or the board."""
    found = profile.at("scale")
    scale, backend = found.valid(Scale), profile.at("board").get("backend", str)
    if scale is None:
        return
    if backend is not None and (scale.converter == "bench") != (backend == "bench"):
        text = f"a converter {scale.converter} does not go with the backend {backend}. "
        cure = "Write converter: bench." if backend == "bench" else "Write converter: i2c or kernel."
        notes.add(found.fields["converter"], "scale converter", text + cure)
    if scale.readings_per_s not in RATES:
        text = (
            f"converters give {', '.join(map(str, RATES[:-1]))} or {RATES[-1]} readings a second. Write one of these."
        )
        notes.add(found.fields["readings_per_s"], "scale readings_per_s", text)
    if scale.platform_g > LIGHTEST_LOAD * scale.capacity_g:
        text = (
            f"it takes {format_quantity(scale.platform_g, 'g')} of the {format_quantity(scale.capacity_g, 'g')} that "
            "the cell carries: too little is left for a glass. Take a larger cell or a lighter platform."
        )
        notes.add(found.fields["platform_g"], "scale platform", text)
    is_hx711 = scale.converter == "kernel" and scale.compatible == "avia,hx711"
    if is_hx711 and (scale.clock_gpio is None or scale.data_gpio is None):
        text = "an HX711 has two pins: write clock_gpio and data_gpio as its overlay has them, to keep them free."
        notes.add(found, "scale", text)
