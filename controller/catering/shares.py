"""What part of all drinks each recipe is."""

from controller.catering.hanging import Hanging
from controller.model.event import GuestEvent


def menu_shares(event: GuestEvent) -> dict[str, float]:
    """Recipe -> its share of all drinks asked for."""
    total = sum(one.weight for one in event.menu)
    return {one.recipe: one.weight / total for one in event.menu}


def open_shares(event: GuestEvent, hanging: Hanging) -> dict[str, float]:
    """The same of the recipes that can be poured: guests who cannot have theirs take one of these."""
    asked = menu_shares(event)
    total = sum(asked[recipe] for recipe in hanging.recipes)
    return {recipe: asked[recipe] / total for recipe in hanging.recipes}
