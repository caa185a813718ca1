"""The guard's board over the bench's pins, with failures on request: pins that do not obey, a process killed there."""

from controller.bench.plant import Plant
from controller.errors import BoardError
from controller.model.profile import Profile
from tests.campaigns.disk import Killed


class Failures:
    """What is wrong with the board, for every process that holds it."""

    def __init__(self) -> None:
        self.deaf: set[int] = set()  # lines that cannot be driven
        self.unreadable = False
        self.kill_at: int | None = None  # the process is killed at this many more switchings
        self.sentinel_too = False  # and its sentinel with it

    def pass_switching(self) -> None:
        """Count one switching; Killed when it was to be the last."""
        if self.kill_at is not None:
            self.kill_at -= 1
            if self.kill_at <= 0:
                self.kill_at = None
                raise Killed


class PinBoard:
    """One process's hold on the pins. After `abandon`, as after its death, nothing happens any more."""

    def __init__(self, profile: Profile, plant: Plant, holder: str, failures: Failures) -> None:
        self._plant, self._holder, self._failures = plant, holder, failures
        self._safe = profile.relay_board.active_level == "low"
        self._gpio = {line.line: line.gpio for line in profile.lines}
        self._main = profile.main_relay
        self._contacts = {row.name: row.gpio for row in profile.input_table}
        self._rows = {row.name: row for row in profile.output_table}
        for gpio, safe in safe_levels(profile).items():
            plant.claim_output(gpio, safe, holder=holder)
        for gpio in self._contacts.values():
            plant.claim_input(gpio, "up", holder=holder)

    def switch(self, line: int, *, on: bool) -> None:
        """Drive one line's relay; Killed either before or after it when that was planned."""
        is_late = self._failures.kill_at == 1 and on
        if not is_late:
            self._failures.pass_switching()
        self._drive(line, on=on)
        if is_late:
            self._failures.pass_switching()

    def feed(self, *, on: bool) -> None:
        """Drive the main relay, if there is one."""
        if self._main is not None:
            self._plant.set_pin(self._main.gpio, on == (self._main.active_level == "high"), holder=self._holder)

    def signal(self, name: str, *, on: bool) -> None:
        """Drive a lamp or the like."""
        row = self._rows[name]
        self._plant.set_pin(row.gpio, on == row.is_active_high, holder=self._holder)

    def all_off(self) -> list[BoardError]:
        """Drive every output off; the failures."""
        self.feed(on=False)
        for row in self._rows.values():
            if row.role.is_on_while:
                self.signal(row.name, on=False)
        failures = []
        for line in self._gpio:
            try:
                self._drive(line, on=False)
            except BoardError as failure:
                failures.append(failure)
        return failures

    def read(self) -> dict[str, bool]:
        """Contact name -> whether it is closed."""
        if self._failures.unreadable:
            raise BoardError("the contacts cannot be read")
        return {name: not self._plant.read_pin(gpio) for name, gpio in self._contacts.items()}

    def close(self) -> None:
        """all_off, then release every pin."""
        self.all_off()
        self._plant.leave(self._holder)

    def _drive(self, line: int, *, on: bool) -> None:
        if line in self._failures.deaf:
            raise BoardError(f"line {line} does not obey")
        self._plant.set_pin(self._gpio[line], self._safe != on, holder=self._holder)


def safe_levels(profile: Profile) -> dict[int, bool]:
    """GPIO -> the level at which its output is off."""
    return {row.gpio: row.safe_level for row in profile.output_table}


def drive_off(profile: Profile, plant: Plant, failures: Failures, holder: str) -> None:
    """What the sentinel and the boot service do: claim every line with its safe level."""
    deaf = {line.gpio for line in profile.lines if line.line in failures.deaf}
    for gpio, safe in safe_levels(profile).items():
        if gpio not in deaf:
            plant.claim_output(gpio, safe, holder=holder)
    plant.leave(holder)


def cut_power(profile: Profile, plant: Plant) -> None:
    """The supply fails: every pin falls back to an input, and no relay stays in."""
    for gpio, safe in safe_levels(profile).items():
        plant.claim_input(gpio, "up" if safe else "down", holder="power")
    plant.leave("power")
