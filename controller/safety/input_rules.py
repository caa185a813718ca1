"""What contacts and scale say against pumping now, by the table of inputs and by the weight of the glass."""

from collections.abc import Iterator

from controller.model.book import Book
from controller.model.messages import InputReport, Refusal
from controller.model.plan import Operation
from controller.model.wiring import GlassContact, InputRole, TrayContact, role_of
from controller.safety.standing import misfit


def refuse(request: str, rule: str, reason: str, *, asked: str = "", allowed: str = "", remedy: str = "") -> Refusal:
    """A refusal, in fewer words."""
    return Refusal(request=request, rule=rule, reason=reason, asked=asked, allowed=allowed, remedy=remedy)


def vessel(request: str, inputs: InputReport) -> Iterator[Refusal]:
    """Why nothing may be poured for a guest now, or go on to be."""
    if inputs.glass_present is False:
        yield _by_input(request, GlassContact.role)
    for _, role in active_roles(inputs):
        if role.effect == "refuse":
            yield _by_input(request, role)


def blocked(request: str, inputs: InputReport) -> Iterator[Refusal]:
    """Why nothing at all may be pumped now, or go on to be."""
    for _, role in active_roles(inputs):
        if role.effect == "hold":
            yield _by_input(request, role)


def active_roles(inputs: InputReport) -> Iterator[tuple[str, InputRole]]:
    """The inputs that hold or refuse by the table alone, where they are active now."""
    active = inputs.others | {TrayContact.role.name: bool(inputs.tray_full)}
    return ((name, role_of(name)) for name, is_active in active.items() if is_active)


def _by_input(request: str, role: InputRole) -> Refusal:
    return refuse(request, role.name.replace(" ", "_"), f"{role.reason}.", remedy=role.remedy)


def weighed_glass(operation: Operation, book: Book, load_g: float | None) -> Iterator[Refusal]:
    """The glass that the drink is for must stand there, empty; nobody can tell where the book states no tare.

    load_g: what stands there weighs, None while it does not hold still.
    """
    glass = next((one for one in book.glasses if one.glass == operation.glass), None)
    if glass is None or glass.tare_g is None:
        return
    if load_g is None:
        reason = "what stands under the outlet does not hold still."
        yield refuse(operation.operation, "glass_weight", reason, remedy="Take your hands off and ask again.")
    elif wrong := misfit(book, glass, load_g):
        yield refuse(
            operation.operation,
            "glass_weight",
            wrong,
            asked=f"{load_g:.0f} g",
            allowed=f"{glass.tare_g:.0f} g, give or take {glass.tare_tolerance_g:.0f} g",
            remedy=f"Set an empty {glass.glass} down, or name the glass that stands there.",
        )
