"""The bench's converter, asked over the bench's socket."""

import json
import socket
import time

ANSWER_S = 1.0
LONGEST_ANSWER = 4096
DECODER = json.JSONDecoder()  # json.loads, which also looks for an encoding, takes twice as long
LATE = 4  # periods without a conversion


class BenchConverter:
    """The simulated converter's conversions as they come."""

    def __init__(self, path: str, readings_per_s: int) -> None:
        self._path, self._period_s = path, 1 / readings_per_s
        self._after = -1  # number of the last conversion
        self.next_s = 0.0
        self._socket: socket.socket | None = None

    def start(self) -> None:
        """Connect. OSError when no bench listens."""
        self.close()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(ANSWER_S)
        self._socket.connect(self._path)

    def read(self) -> int | None:
        """Counts of the next conversion; None when there is none for LATE periods. OSError when the bench is gone."""
        for _ in range(LATE):
            if (counts := self._ask()) is not None:
                return counts
            time.sleep(self._period_s)
        return None

    def _ask(self) -> int | None:
        """Counts of the newest conversion, None when it is an old one."""
        if self._socket is None:
            raise ConnectionError("not connected")
        self._socket.sendall(b'{"ask": "convert", "with": {"after": %d}}\n' % self._after)
        answer = b""
        while not answer.endswith(b"\n"):
            part = self._socket.recv(LONGEST_ANSWER)
            answer += part
            if not part or len(answer) > LONGEST_ANSWER:
                raise ConnectionError("the bench has gone, or talks nonsense")
        try:
            said, _ = DECODER.raw_decode(answer.decode())
            if said == {}:
                return None
            one = said["answer"]
            self._after, self.next_s = int(one["number"]), float(one["at_s"]) + self._period_s
            return int(one["counts"])
        except (ValueError, KeyError, TypeError) as error:
            raise ConnectionError(f"the bench answers {answer[:200]!r}") from error

    def close(self) -> None:
        """Close the connection. May be repeated."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def open_converter(place: str, readings_per_s: int) -> BenchConverter:
    """The converter of the bench that listens at this socket."""
    return BenchConverter(place, readings_per_s)
