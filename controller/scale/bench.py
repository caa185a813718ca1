"""The bench's converter, asked over the bench's socket."""

import json
import socket

from controller.model.scale_datagram import OK, SILENT

ANSWER_S = 1.0
LONGEST_ANSWER = 4096


class BenchConverter:
    """What the simulated load cell gives at the moment of asking."""

    keeps_time = False

    def __init__(self, path: str) -> None:
        self._path = path
        self._socket: socket.socket | None = None

    def start(self) -> None:
        """Connect. OSError when no bench listens."""
        self.close()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(ANSWER_S)
        self._socket.connect(self._path)

    def read(self) -> int | None:
        """Counts now; None when the simulated converter is silent. OSError when bench or converter is gone."""
        if self._socket is None:
            raise ConnectionError("not connected")
        self._socket.sendall(b'{"ask": "convert"}\n')
        answer = b""
        while not answer.endswith(b"\n"):
            part = self._socket.recv(LONGEST_ANSWER)
            answer += part
            if not part or len(answer) > LONGEST_ANSWER:
                raise ConnectionError("the bench has gone, or talks nonsense")
        try:
            counts, converter = json.loads(answer)["answer"]
        except (ValueError, KeyError, TypeError) as error:
            raise ConnectionError(f"the bench answers {answer[:200]!r}") from error
        if converter == SILENT:
            return None
        if converter != OK:
            raise OSError("the simulated converter does not answer")
        return int(counts)

    def close(self) -> None:
        """Close the connection. May be repeated."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def open_converter(place: str, _readings_per_s: int) -> BenchConverter:
    """The converter of the bench that listens at this socket."""
    return BenchConverter(place)
