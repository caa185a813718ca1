"""Contacts, debounced and with age. What cannot be trusted counts as unsafe."""

import math
from collections.abc import Mapping

from controller.model.messages import InputReport
from controller.model.wiring import CurrentContact, GlassContact, InputRow, Inputs, StopContact, TrayContact, input_rows

STALE_S = 0.25  # readings older than this are not trusted while an operation is under way
MOST_CHANGES = 10  # readings in a row that contradict the one before; more mean nothing at all
SLACK_S = 1e-9  # sums of binary fractions may fall short of a debounce time by this much

STOP, GLASS, TRAY, CURRENT = (kind.role.name for kind in (StopContact, GlassContact, TrayContact, CurrentContact))
NAMED = frozenset({STOP, GLASS, TRAY, CURRENT})  # those with a field of their own in reports, or that nobody is told of


class _Debounced:
    """One contact: `active` is its accepted meaning (pressed, glass there, full, low), None before the first."""

    def __init__(self, row: InputRow) -> None:
        self.row = row
        self._debounce_s = row.debounce_s
        self.active: bool | None = None
        self._candidate: bool | None = None
        self._since_s = -math.inf
        self._changes = 0  # since it was last at rest
        self.is_pressed = False  # whether the last reading took it from rest to active

    def read(self, now_s: float, closed: bool) -> None:
        """Take one reading."""
        self.is_pressed = False
        raw = self.row.is_active(closed)
        if raw is not self._candidate:
            self._candidate, self._since_s = raw, now_s
            self._changes += 1
        if now_s - self._since_s >= self._debounce_s - SLACK_S:
            self.is_pressed = raw and self.active is False
            self.active, self._changes = raw, 0

    @property
    def counts_as(self) -> bool:
        """Its meaning, or what it counts as before the first."""
        return self.row.role.is_active_unread if self.active is None else self.active

    @property
    def certain(self) -> bool | None:
        """Its meaning while the last reading agrees with what was accepted; None otherwise."""
        return self.active if self.active is self._candidate else None

    @property
    def settles_s(self) -> float:
        """When the present candidate would be accepted; infinity when there is nothing to wait for."""
        return self._since_s + self._debounce_s if self._changes else math.inf

    @property
    def contradicts(self) -> bool:
        """Whether it has been changing too often to mean anything."""
        return self._changes > MOST_CHANGES


class Contacts:
    """All contacts that the profile has."""

    def __init__(self, inputs: Inputs) -> None:
        self._contacts = {row.name: _Debounced(row) for row in input_rows(inputs)}
        self._read_s = -math.inf
        self._missing: tuple[str, ...] = ()
        self.look_s = math.inf  # when to read again so that a pending change is accepted without delay
        self._report = self._summed_up()
        self.settled = False  # whether every contact has an accepted value
        self._doubt = ""  # about the last reading

    def read(self, now_s: float, closed: Mapping[str, bool]) -> None:
        """Take one reading of all contacts (name -> closed); a name that is missing could not be read."""
        self._missing = tuple(name for name in self._contacts if name not in closed)
        for name, contact in self._contacts.items():
            if name in closed:
                contact.read(now_s, closed[name])
        if self._missing:
            self.look_s = math.inf
        else:
            self._read_s = now_s
            self.look_s = min(contact.settles_s for contact in self._contacts.values())
        self.settled = all(contact.active is not None for contact in self._contacts.values())
        self._doubt = self._doubt_now()
        report = self._summed_up()
        if report != self._report:
            self._report = report

    def doubt(self, now_s: float, *, moving: bool) -> str:
        """Why the readings cannot be trusted, or "". Age counts only while something may be moving."""
        if self._doubt:
            return self._doubt
        if moving and now_s - self._read_s > STALE_S:
            return f"no reading of the contacts for {STALE_S:g} s"
        return ""

    def _doubt_now(self) -> str:
        if self._missing:
            return f"cannot read {', '.join(self._missing)}"
        contradicting = (name for name, contact in self._contacts.items() if contact.contradicts)
        return next((f"the {name} contact keeps changing" for name in contradicting), "")

    @property
    def stale_s(self) -> float:
        """When the last reading becomes too old."""
        return self._read_s + STALE_S

    @property
    def current_flows(self) -> bool | None:
        """Whether pump current flows; None while that is not settled, cannot be read, or without a current contact."""
        contact = self._contacts.get(CURRENT)
        return contact.certain if contact and not self._missing else None

    @property
    def pressed(self) -> tuple[str, ...]:
        """The buttons that the last reading found pressed, anew."""
        return tuple(name for name, one in self._contacts.items() if one.is_pressed and one.row.role.effect == "tell")

    def _counts_as(self, name: str) -> bool | None:
        contact = self._contacts.get(name)
        return contact.counts_as if contact else None

    def report(self) -> InputReport:
        """The accepted values, the same object while they are the same.

        A stop contact without one counts as pressed, a glass without one as missing.
        """
        return self._report

    def _summed_up(self) -> InputReport:
        active = {one.row: one.counts_as for one in self._contacts.values()}
        return InputReport(
            stop_pressed=self._contacts[STOP].counts_as,
            glass_present=self._counts_as(GLASS),
            tray_full=self._counts_as(TRAY),
            low_lines=tuple(row.line for row, is_low in active.items() if row.line is not None and is_low),
            others={row.name: is_on for row, is_on in active.items() if row.line is None and row.name not in NAMED},
        )

    @property
    def stop_open(self) -> bool:
        """Whether the stop contact is known to be open: pressed, or its wire broken."""
        return self._contacts[STOP].active is True
