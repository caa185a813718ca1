"""Addresses for calibrating on the machine's own scale."""

from controller.engine.hands_free import HandsFree
from controller.engine.http.addresses import Address, post

HANDS_FREE: tuple[Address, ...] = (
    post(
        "/v1/hands-free",
        "begin_hands_free",
        "Calibrate lines on the machine's own scale, or take up what is under way.",
        HandsFree.begin,
    ),
    post(
        "/v1/hands-free/next",
        "next_hands_free",
        "Take the next step of calibrating on the scale; nothing begins unless this is asked again and again.",
        HandsFree.next,
    ),
    post(
        "/v1/hands-free/drop",
        "drop_hands_free",
        "Give up calibrating on the scale; what has been weighed stays.",
        HandsFree.drop,
    ),
)
