"""The machine behind the page: bench, guard and engine as real processes, primed and calibrated, on the local network."""

import contextlib
import socket
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "processes"))
from three_processes import BOOK, PROFILE, Processes

OPERATOR, GUEST = "operator-token-0123456789", "guest-token-0123456789abc"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class PageMachine(Processes):
    """Processes whose engine serves the page at `origin`."""

    def __init__(self, folder: Path, *, profile: Path = PROFILE, book: Path = BOOK, port: int = 0) -> None:
        port = port or free_port()
        tokens = folder / "tokens"
        tokens.write_text(f"operator {OPERATOR}\nguest {GUEST}\n")
        tokens.chmod(0o600)
        words = ("--lan", f"127.0.0.1:{port}", "--tokens", str(tokens))
        super().__init__(folder, profile=profile, book=book, engine_words=words)
        self.origin = f"http://127.0.0.1:{port}"

    def link(self, token: str) -> str:
        return f"{self.origin}/#token={token}"


@contextlib.contextmanager
def page_machine(*, is_ready: bool = True, port: int = 0) -> Iterator[PageMachine]:
    with tempfile.TemporaryDirectory(prefix="tun") as name:
        machine = PageMachine(Path(name), port=port)
        try:
            machine.start_all()
            if is_ready:
                machine.prepare()
            yield machine
        finally:
            machine.close()


if __name__ == "__main__":  # to look at it with a browser of one's own
    with page_machine(port=8093) as running:
        print(running.link(GUEST), running.link(OPERATOR), sep="\n", flush=True)
        sys.stdin.read()
