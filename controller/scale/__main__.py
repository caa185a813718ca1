"""`python -m controller.scale [--leashed] KIND PLACE READINGS_PER_S GUARD_SOCKET OWN_SOCKET`.

As `tundish scale run` starts it. --leashed: end with the standard input too.
"""

import sys
from pathlib import Path

from controller.process import notify, stop_signals
from controller.scale.converter import ConverterError, DeviceRefusedError, open_converter
from controller.scale.process import say, serve
from controller.scale.sending import Outlet


def main(words: list[str]) -> int:
    """Run until SIGTERM or SIGINT."""
    leashed, words = words[:1] == ["--leashed"], [one for one in words if one != "--leashed"]
    kind, place, readings_per_s, guard, own = words
    try:
        converter = open_converter(kind, place, int(readings_per_s))
    except ConverterError as problem:
        say(str(problem))
        return 1
    with stop_signals() as stop:
        outlet = Outlet(Path(guard), Path(own))
        try:
            ends = [stop, sys.stdin] if leashed else [stop]
            serve(converter, outlet, ends, ready=lambda: notify("READY=1"))
        except DeviceRefusedError as problem:
            say(str(problem))
            return 1
        finally:
            converter.close()
            outlet.close()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
