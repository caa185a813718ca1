"""Tokens of an operator and of a guest, as a person may have chosen them."""

OPERATOR, GUEST = "operator-token-0123456789", "guest-token-0123456789abc"
