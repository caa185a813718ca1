"""Tokens of the local network: one for the operator, one for guests' invitation, and a guest's own by that.

They stand in one file that only its owner may read, and hold for a day after it was written. To write it anew turns
everybody out at once.
"""

import hmac
import os
import re
import secrets
import stat
from hashlib import sha256
from pathlib import Path
from typing import Literal

from controller.clock import Clock
from controller.engine.http.guests import GuestTokens
from controller.errors import FileProblems, Problem, RecordError

Role = Literal["operator", "guest"]
ROLES: tuple[Role, ...] = ("operator", "guest")
# RFC 6750 section 2.1 has the characters; 24 of them are more than 128 bits when drawn at random.
TOKEN = re.compile(r"[A-Za-z0-9._~+/-]{24,200}=*")
LAST_S = 24 * 3600.0
DRAWN_BYTES = 24


class Tokens:
    """The tokens in `path`; nobody is let in while there is no such file."""

    def __init__(self, path: Path, clock: Clock) -> None:
        """Raises FileProblems when the file is there and cannot be used."""
        self._path, self._clock = path, clock
        self._digests: dict[Role, bytes] = {}
        self.guests: GuestTokens | None = None
        self.ends_wall_s: float | None = None  # None when there are none
        if path.exists():
            self._take()

    def whose(self, token: bytes) -> tuple[Role | None, str]:
        """Whose token it is, and of a guest's own one, whose. Every known one is compared, in constant time."""
        digest = sha256(token).digest()
        matching = [role for role, known in self._digests.items() if hmac.compare_digest(known, digest)]
        if self.ends_wall_s is None or self._clock.wall_s() > self.ends_wall_s:
            return None, ""
        owner = None if self.guests is None else self.guests.owner(token)
        return ("guest", owner) if owner else (matching[0] if matching else None, "")

    def texts(self) -> dict[Role, str]:
        """Role -> its token, as the file has it; nothing when they have ended."""
        if self.ends_wall_s is None or self._clock.wall_s() > self.ends_wall_s:
            return {}
        lines = [line.split() for line in self._path.read_text(encoding="ascii").splitlines()]
        return {role: words[1] for words in lines for role in ROLES if words[:1] == [role]}

    def renew(self) -> None:
        """Draw new ones; those before are worth nothing any more. Raises RecordError."""
        text = "".join(f"{role} {secrets.token_urlsafe(DRAWN_BYTES)}\n" for role in ROLES)
        new = self._path.with_name(f".{self._path.name}.new")
        try:
            new.unlink(missing_ok=True)
            with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600), "w") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            new.replace(self._path)
        except OSError as error:
            raise RecordError(
                f"{self._path} cannot be written: {error.strerror}. The tokens stay as they were."
            ) from error
        self._take()

    def _take(self) -> None:
        self._digests = read_tokens(self._path)
        self.ends_wall_s = self._path.stat().st_mtime + LAST_S
        invitation = self._digests.get("guest")
        self.guests = None if invitation is None else GuestTokens(self._digests["operator"], invitation, self._clock)


def read_tokens(path: Path) -> dict[Role, bytes]:
    """Role -> digest of its token. The file has a line for each: `operator TOKEN`, `guest TOKEN`.

    Raises FileProblems with everything that is wrong with it; no message repeats any of a token.
    """
    try:
        text, mode = path.read_text(encoding="ascii"), path.stat().st_mode
    except (OSError, UnicodeDecodeError) as error:
        raise FileProblems([Problem(file=str(path), line=1, column=1, text=f"cannot be read: {error}.")]) from error
    found: dict[Role, bytes] = {}
    problems: list[tuple[int, str]] = []
    # What systemd hands over (LoadCredential=) is closed by an access list, which the mode does not show.
    is_handed_over = str(path.parent) == os.environ.get("CREDENTIALS_DIRECTORY")
    if stat.S_IMODE(mode) & 0o077 and not is_handed_over:
        problems.append((1, f"others may read it (mode {stat.S_IMODE(mode):04o}). Close it: chmod 600 {path}"))
    for number, line in enumerate(text.splitlines(), 1):
        words = line.split()
        if not words or words[0].startswith("#"):
            continue
        role = next((one for one in ROLES if one == words[0]), None)
        if role is None or len(words) != 2:
            problems.append((number, "expected `operator TOKEN` or `guest TOKEN`."))
        elif role in found:
            problems.append((number, f"a second token for {role}."))
        elif not TOKEN.fullmatch(words[1]):
            problems.append((number, "a token has 24 to 200 letters, digits or ._~+/-: try openssl rand -hex 24"))
        else:
            found[role] = sha256(words[1].encode()).digest()
    if not problems and "operator" not in found:
        problems.append((1, "there is no token for the operator."))
    if len(set(found.values())) < len(found):
        problems.append((1, "operator and guest have the same token."))
    if problems:
        raise FileProblems([Problem(file=str(path), line=line, column=1, text=text) for line, text in problems])
    return found
