"""Every line off without the guard: what `tundish all-off` and the boot service's last step call."""

from pathlib import Path

from controller.errors import BoardError
from controller.guard.sentinel import TRY_S, drive_off
from controller.guard.sentinel_link import pins_of
from controller.model.profile import Profile


def all_off(profile: Profile, bench_socket: Path | None = None, *, try_s: float = TRY_S) -> list[BoardError]:
    """Drive every output off, whatever fails on the way; the failures by pin, [] when all obeyed.

    bench_socket: where the bench of a simulated machine listens. try_s: how long to try lines that a dying process
    still holds (s). A line that a living guard holds cannot be had: the guard itself must be asked to stop.
    """
    failures = drive_off(pins_of(profile, bench_socket), try_s=try_s)
    users = {row.gpio: row.name for row in profile.output_table}
    return [
        BoardError(f"{users[gpio]}, GPIO {gpio}: could not be driven off: {text}")
        for gpio, text in sorted(failures.items())
    ]
