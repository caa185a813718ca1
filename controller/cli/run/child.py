"""`python -m controller.cli.run.child WORDS`: a process that `tundish up` has started.

It is ended as if by SIGTERM when its standard input is, which is when all who hold the other end are gone.
"""

import os
import signal
import sys
import threading

from controller.cli import main


def _end_with_input() -> None:
    while os.read(0, 64):
        pass
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    os.environ["TUNDISH_LEASHED"] = "1"  # for what takes this process's place
    threading.Thread(target=_end_with_input, daemon=True).start()
    main(sys.argv[1:])
