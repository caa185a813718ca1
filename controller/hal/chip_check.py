"""A profile held against the board that it is loaded on: the chip, the lines' names, and who has them."""

import re

from controller.hal.board import CONSUMER, ChipLine
from controller.hal.table import load_driver
from controller.model.profile import Profile


def compare(profile: Profile) -> list[str]:
    """All that does not fit, one sentence each; nothing is claimed and nothing is driven.

    Lines that the running guard itself holds are in order. BoardError when there is no such chip, or none may be
    opened.
    """
    chip = {line.gpio: line for line in load_driver("gpio").read_chip(profile.board.chip)}
    findings = []
    for what, gpio in _wired(profile).items():
        if gpio not in chip:
            findings.append(f"{what}, GPIO {gpio}: the chip {profile.board.chip!r} has no such line.")
        else:
            findings += [f"{what}, GPIO {gpio}: {one}" for one in _misfits(chip[gpio])]
    return findings


def _wired(profile: Profile) -> dict[str, int]:
    outputs = {row.name: row.gpio for row in profile.output_table}
    return outputs | {f"{row.name} contact": row.gpio for row in profile.input_table}


def _misfits(line: ChipLine) -> list[str]:
    misfits = []
    # Vendors' kernels name header lines by their number or by their alternate use; only another number is wrong.
    named = re.fullmatch(r"GPIO(\d+)", line.name)
    if named and int(named[1]) != line.gpio:
        misfits.append(f"the board calls this line {line.name}: its numbers are not those of the header.")
    if line.holder not in ("", CONSUMER):
        misfits.append(f"{line.holder!r} holds it. Stop that program, or free the line in the boot configuration.")
    return misfits
