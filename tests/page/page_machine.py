"""The machine behind the page: bench, guard and engine as real processes, primed and calibrated, on a network."""

import contextlib
import signal
import socket
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from types import NoneType

from controller.bench.memory import write_memory
from controller.cli.run.bench import EXCHANGE_S
from controller.clock import VirtualClock
from controller.config import load
from controller.engine.service import LEDGER
from controller.ledger.journal import FileJournal
from controller.model.order_states import OPEN
from controller.model.orders import Forgotten, LastOrdersRequest, Orders, OrderView, QueueView
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import prime_all
from tests.processes.three_processes import BOOK, PROFILE, Processes

SEED = 7  # of the bench that three_processes starts
PRIMED_AGO_S = 900.0  # before the machine starts; longer than the priming takes
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
        self._memory_path = folder / "bench.json"
        memory = ("--memory", str(self._memory_path))
        super().__init__(folder, profile=profile, book=book, engine_words=words, bench_words=memory)
        self.origin = f"http://127.0.0.1:{port}"

    def link(self, token: str) -> str:
        return f"{self.origin}/#token={token}"

    def prepare(self) -> None:
        """Primed before it starts, in virtual time; calibrated when it runs."""
        profile, book, _ = load(self.profile, self.book)
        clock = VirtualClock(wall_s=time.time() - PRIMED_AGO_S)
        journal, ledger = FileJournal(self.state_dir), self.state_dir / LEDGER
        with contextlib.closing(
            VirtualMachine(profile, book, seed=SEED, ledger_path=ledger, journal=journal, clock=clock)
        ) as early:
            prime_all(early, tuple(one.line for one in profile.lines))
            write_memory(self._memory_path, early.plant.remember())

    def orders(self) -> Orders:
        return self.http.get("orders", Orders)

    def open_orders(self) -> tuple[OrderView, ...]:
        return tuple(one for one in self.orders().orders if one.state in OPEN)

    def exchange_glass(self) -> None:
        """Take the glass away for long enough and set an empty one down."""
        with self.bench() as bench:
            bench.lift_glass()
            self.wait_for(lambda: self.glass_contact() is False)
            time.sleep(EXCHANGE_S)
            bench.place_glass("tall glass")
        self.wait_for(lambda: self.glass_contact() is True)

    def glass_contact(self) -> bool | None:
        inputs = self.status().inputs
        return None if inputs is None else inputs.glass_present

    def rest(self) -> None:
        """Nothing under way, no order open, no fault, an empty glass set down anew."""
        self.http.post("stop", NoneType)
        self.wait_for(lambda: (one := self.status().operation) is None or bool(one.outcome or one.refused))
        self.acknowledge()
        self.http.post("orders/forget", Forgotten)
        self.http.post("orders/last", QueueView, LastOrdersRequest(last_orders=False))
        inputs = self.status().inputs
        if inputs is None or not inputs.fresh_glass:
            self.exchange_glass()


@contextlib.contextmanager
def page_machine(*, profile: Path = PROFILE, book: Path = BOOK, port: int = 0) -> Iterator[PageMachine]:
    with tempfile.TemporaryDirectory(prefix="tun") as name:
        machine = PageMachine(Path(name), profile=profile, book=book, port=port)
        try:
            machine.prepare()
            machine.start_all()
            machine.calibrate()
            yield machine
        finally:
            machine.close()


if __name__ == "__main__":  # to look at it with a browser of one's own; ends with its input, or by SIGTERM
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with contextlib.suppress(KeyboardInterrupt), page_machine(port=8093) as running:
        print(running.link(GUEST), running.link(OPERATOR), sep="\n", flush=True)
        sys.stdin.read()
