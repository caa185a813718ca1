"""The contacts that the profile wires to GPIOs, and what closes them."""

from controller.model.fields import Value
from controller.model.profile import Profile


class WiredContact(Value, frozen=True, kw_only=True):
    """A contact between a GPIO and ground; `line` is set for a level contact."""

    gpio: int
    normally_closed: bool
    line: int | None = None


def wired_contacts(profile: Profile) -> dict[str, WiredContact]:
    """All contacts of a machine by name: "stop", "glass", "drip tray", "current", "level N"."""
    inputs = profile.inputs
    single = {"stop": inputs.stop, "glass": inputs.glass, "drip tray": inputs.drip_tray, "current": inputs.current}
    wired = {
        name: WiredContact(gpio=one.gpio, normally_closed=one.contact == "normally_closed")
        for name, one in single.items()
        if one is not None
    }
    for one in inputs.levels:
        closed = one.contact == "normally_closed"
        wired[f"level {one.line}"] = WiredContact(gpio=one.gpio, normally_closed=closed, line=one.line)
    return wired
