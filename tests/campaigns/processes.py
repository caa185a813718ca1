"""What the processes have in common: the clocks of their boot, waking at their deadlines, standing still.

Of the service manager there is what the unit files say: the guard comes back a second after its end, and before that
the boot service's last step drives every line off.
"""

import math
from typing import TYPE_CHECKING

from controller.clock import VirtualClock

if TYPE_CHECKING:
    from tests.campaigns.house import House

NEXT_S = 1e-9  # later than now, whatever rounding makes of it


class BootClock:
    """The clocks as the processes of one boot see them."""

    def __init__(self, clock: VirtualClock, born_s: float) -> None:
        self._clock, self._born_s = clock, born_s

    def now_s(self) -> float:
        """Seconds since the boot."""
        return self._clock.now_s() - self._born_s

    def wall_s(self) -> float:
        """Unix seconds."""
        return self._clock.wall_s()

    def boot_s(self, house_s: float) -> float:
        """An instant on the house's clock since this boot."""
        return house_s - self._born_s

    def house_s(self, boot_s: float) -> float:
        """An instant of this boot on the house's clock."""
        return boot_s + self._born_s


class Process:
    """What engine and guard have in common."""

    def __init__(self, house: "House") -> None:
        self.house = house
        self.is_frozen = False
        self.wake_s = math.inf  # house clock
        self.lives = 0

    def _at(self, deadline_s: float | None) -> None:
        """Wake at this instant of the boot, or a little later, as a busy computer does."""
        now_s, clock = self.house.now_s, self.house.boot_clock
        due_s = math.inf if deadline_s is None else clock.house_s(deadline_s)
        if deadline_s is not None and deadline_s > clock.now_s():
            due_s = max(due_s, now_s + NEXT_S)
        late_s = self.house.draw.uniform(0.0, self.house.plot.jitter_s) if due_s > now_s else 0.0
        self.wake_s = max(due_s, now_s) + late_s

    def freeze(self, lasts_s: float) -> None:
        """Stand still for a while, as with SIGSTOP or a long page-in."""
        self.is_frozen = True
        life = self.lives
        self.house.later(lasts_s, lambda: self.thaw() if self.lives == life else None)

    def thaw(self) -> None:
        """Run on; what has come meanwhile is read now."""
        self.is_frozen = False
        self.wake_s = self.house.now_s
