"""House rules: whose order is taken, and who may consent to a pour."""

import secrets

from controller.engine.ordering.register import OPERATOR, Register, owner_of
from controller.errors import Refused
from controller.ledger.orders import Order
from controller.model.book import House
from controller.model.orders import ConsentRequest
from controller.model.plan import CONSENT_S
from controller.model.profile import Profile


def closed(register: Register, house: House) -> str:
    """Why no order is taken, "" when one is."""
    if register.last_orders:
        return "the last orders have been taken."
    if len(register.waiting()) >= house.waiting:
        return f"{house.waiting} orders wait already: try again in a few minutes."
    return ""


def require_place(register: Register, house: House, owner: str) -> None:
    """Refused when this owner may not place another order now."""
    why = closed(register, house)
    if why:
        raise Refused(rule="last_orders" if register.last_orders else "orders_waiting", reason=why)
    own = [one for one in register.waiting() if owner_of(one) == owner]
    if owner != OPERATOR and len(own) >= house.each_guest:
        raise Refused(
            rule="orders_each_guest",
            reason=f"{len(own)} of your orders wait already.",
            allowed=str(house.each_guest),
            remedy="Wait until one is poured, or withdraw one.",
        )


def require_own_phone(order: Order, request: ConsentRequest, profile: Profile, since_s: float | None) -> None:
    """Refused unless a guest's own phone may consent: profile, no alcohol, secret, a glass set down just now.

    since_s: how long ago a fresh glass was set down; None when none stands there.
    """
    if not profile.inputs.guests_may_consent or order.drink.ethanol_g > 0:
        raise Refused(rule="consent", reason="this order is poured when the operator says so.")
    sent, known = request.secret or "", order.guest.secret if order.guest is not None else ""
    if not known or not secrets.compare_digest(sent.encode(), known.encode()):
        raise Refused(rule="consent", reason="this is not the phone that placed the order.")
    if since_s is None or since_s > CONSENT_S:
        raise Refused(
            rule="fresh_glass",
            reason=f"no fresh glass was set down within the last {CONSENT_S:g} s.",
            remedy="Lift the glass, set it down again and say so at once.",
        )
