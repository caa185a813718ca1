"""The `gpio=...` lines of the boot configuration: read strictly, and what they leave each GPIO as.

Form (the vendor's config.txt documentation): gpio=PINS=WORDS; PINS are numbers, ranges and lists of both, WORDS are
ip, op, a0 to a5, dh, dl, pu, pd, pn or np. A later line wins. They act some seconds after power-on.
"""

import re
from dataclasses import dataclass

from controller.errors import BadQuantity
from controller.quantities import quote

_FUNCTIONS = {"ip", "op", "a0", "a1", "a2", "a3", "a4", "a5"}
_DRIVES = {"dh": "high", "dl": "low"}
_PULLS = {"pu": "high", "pd": "low", "pn": "none", "np": "none"}
_LAST = 27


@dataclass(frozen=True, kw_only=True)
class PinSetting:
    """What a GPIO is set to: its function ("ip", "op", "a0" to "a5"), and "high", "low" or "none" for the rest."""

    function: str
    drive: str
    pull: str

    @property
    def level(self) -> str:
        """The level that holds the line: "none" where nothing or something unknown does."""
        return {"ip": self.pull, "op": self.drive}.get(self.function, "none")


@dataclass(frozen=True, kw_only=True)
class BootLine:
    """One line: the GPIOs it sets, and how. None leaves that part of a GPIO as it is."""

    gpios: tuple[int, ...]
    function: str | None
    drive: str | None
    pull: str | None

    def apply(self, before: PinSetting) -> PinSetting:
        """What a GPIO is after this line."""
        return PinSetting(
            function=self.function or before.function,
            drive=self.drive or before.drive,
            pull=self.pull or before.pull,
        )


def read_boot_line(text: str) -> BootLine:
    """The line as a value; BadQuantity says what is wrong with it."""
    match = re.fullmatch(r"gpio=([0-9,\-]+)=([a-z0-9,]+)", text, re.ASCII)
    if match is None:
        raise BadQuantity(f"{quote(text)} is not of the form gpio=PINS=WORDS, such as gpio=17=op,dh.")
    gpios = [gpio for part in match[1].split(",") for gpio in _range(text, part)]
    words = match[2].split(",")
    for word in words:
        if word not in _FUNCTIONS | _DRIVES.keys() | _PULLS.keys():
            raise BadQuantity(f"{quote(text)}: {quote(word)} is none of ip, op, a0 to a5, dh, dl, pu, pd, pn, np.")
    function = _one(text, words, {word: word for word in _FUNCTIONS})
    drive, pull = _one(text, words, _DRIVES), _one(text, words, _PULLS)
    if (function == "op") != (drive is not None):
        raise BadQuantity(f"{quote(text)}: an output needs op and its level together: op,dh or op,dl.")
    return BootLine(gpios=tuple(gpios), function=function, drive=drive, pull=pull)


def _range(text: str, part: str) -> range:
    match = re.fullmatch(r"([0-9]{1,3})(?:-([0-9]{1,3}))?", part)
    if match is None:
        raise BadQuantity(f"{quote(text)}: {quote(part)} is neither a pin nor a range such as 22-24.")
    first, last = int(match[1]), int(match[2] or match[1])
    if last < first:
        raise BadQuantity(f"{quote(text)}: the range {part} runs backwards. Write {last}-{first}.")
    if last > _LAST:
        raise BadQuantity(f"{quote(text)}: the header carries GPIO 0 to {_LAST}.")
    return range(first, last + 1)


def _one(text: str, words: list[str], meanings: dict[str, str]) -> str | None:
    found = [word for word in words if word in meanings]
    if len({meanings[word] for word in found}) > 1:
        raise BadQuantity(f"{quote(text)}: {' and '.join(found)} exclude each other.")
    return meanings[found[0]] if found else None
