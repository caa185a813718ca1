"""`python -m controller.cli`, which `tundish up` starts its processes with."""

from controller.cli import main

main()
