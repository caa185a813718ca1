"""Tokens of single guests, given for the invitation's: nothing is kept of them, so that nothing has to be forgotten.

A token holds an id drawn at random and when it ends, under a code (HMAC-SHA-256, RFC 2104) whose key follows from the
operator's and the invitation's tokens: renewing either turns every guest out.
"""

import hmac
import secrets
import struct
from base64 import b64decode, urlsafe_b64encode
from hashlib import sha256

from controller.clock import Clock
from controller.model.orders import GuestToken

PREFIX = b"guest."
ID_BYTES, CODE_BYTES = 13, 16
LASTS_S = 24 * 3600.0
_LENGTH = ID_BYTES + 4 + CODE_BYTES  # the end stands between them, Unix s


class GuestTokens:
    """Gives guests tokens of their own and knows them again."""

    def __init__(self, operator: bytes, invitation: bytes, clock: Clock) -> None:
        """operator, invitation: digests of their tokens."""
        self._key, self._clock = hmac.digest(operator, invitation, sha256), clock

    def give(self) -> GuestToken:
        """A token for one more guest."""
        ends = int(self._clock.wall_s() + LASTS_S)
        body = secrets.token_bytes(ID_BYTES) + struct.pack(">I", ends)
        token = PREFIX + urlsafe_b64encode(body + self._code(body))
        return GuestToken(token=token.decode(), expires_wall_s=float(ends))

    def owner(self, token: bytes) -> str | None:
        """What stands for the guest with this token in the ledger; None when it is none, or its time is over."""
        if not token.startswith(PREFIX):
            return None
        try:
            raw = b64decode(token.removeprefix(PREFIX), altchars=b"-_", validate=True)
        except ValueError:
            return None
        body, code = raw[:-CODE_BYTES], raw[-CODE_BYTES:]
        is_ours = len(raw) == _LENGTH and hmac.compare_digest(self._code(body), code)
        if not is_ours or struct.unpack(">I", body[ID_BYTES:])[0] < self._clock.wall_s():
            return None
        return body[:ID_BYTES].hex()

    def _code(self, body: bytes) -> bytes:
        return hmac.digest(self._key, body, sha256)[:CODE_BYTES]
