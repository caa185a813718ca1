"""The connection between engine and guard: bytes under way, whole or not, in order or not."""

import math
from dataclasses import dataclass, field
from random import Random

END = None  # what is read at the end of a connection


@dataclass(frozen=True, kw_only=True)
class Manners:
    """How a wire treats messages. A stream socket only delays them; the other figures are chances, for worse wires."""

    delay_s: float = 0.0
    lose: float = 0.0
    double: float = 0.0
    reorder: float = 0.0

    @property
    def is_stream(self) -> bool:
        """Whether it behaves as a socket does."""
        return not (self.lose or self.double or self.reorder)


@dataclass
class Way:
    """One direction of a connection."""

    manners: Manners
    draw: Random
    letters: list[tuple[float, bytes | None]] = field(default_factory=list)
    is_closed: bool = False

    def send(self, now_s: float, data: bytes) -> None:
        """Put one message on its way."""
        if self.is_closed or (self.manners.lose and self.draw.random() < self.manners.lose):
            return
        self._post(now_s, data)
        if self.manners.double and self.draw.random() < self.manners.double:
            self._post(now_s, data)

    def end(self, now_s: float) -> None:
        """The sender is gone; what it sent still arrives."""
        if not self.is_closed:
            self.is_closed = True
            self.letters.append((max([now_s, *(at_s for at_s, _ in self.letters)]), END))

    def cut(self, now_s: float) -> None:
        """The connection breaks: some first part of what is under way still arrives."""
        kept = self.draw.randint(0, len(self.letters))
        self.letters = self.letters[:kept]
        self.is_closed = False
        self.end(now_s)

    @property
    def due_s(self) -> float:
        """When the next message arrives; infinity when none is under way."""
        return min((at_s for at_s, _ in self.letters), default=math.inf)

    def take(self, now_s: float) -> list[bytes | None]:
        """What has arrived by now, in order of arrival."""
        arrived = [letter for letter in self.letters if letter[0] <= now_s]
        if not arrived:
            return []
        self.letters = [letter for letter in self.letters if letter[0] > now_s]
        arrived.sort(key=lambda letter: letter[0])
        return [data for _, data in arrived]

    def _post(self, now_s: float, data: bytes) -> None:
        at_s = now_s + self.draw.uniform(0.0, self.manners.delay_s)
        if not (self.manners.reorder and self.draw.random() < self.manners.reorder):
            at_s = max([at_s, *(other_s for other_s, _ in self.letters)])
        self.letters.append((at_s, data))


class Connection:
    """Both ways; each end knows whether it has seen the other's end."""

    def __init__(self, name: str, manners: Manners, draw: Random) -> None:
        self.name = name
        self.to_guard, self.to_engine = Way(manners, draw), Way(manners, draw)

    def cut(self, now_s: float) -> None:
        """It breaks, on both ways."""
        self.to_guard.cut(now_s)
        self.to_engine.cut(now_s)
