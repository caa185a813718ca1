"""A drink poured on the scale by the real processes, as `tundish up` starts them."""

import tempfile
from pathlib import Path

from tests.benchmarks.footprint import GLASS, RECIPE, commission, running, set_up_scale, tundish


def test_a_drink_is_poured_on_the_scale_and_weighed():
    with tempfile.TemporaryDirectory(prefix="tun") as name, running(Path(name), has_scale=True) as (machine, _):
        commission(machine, Path(name))
        set_up_scale(machine)
        tundish(machine.run_dir, "bench", "glass", "exchange", GLASS)
        view = tundish(machine.run_dir, "pour", RECIPE)
    assert (view["outcome"], view["unweighed"]) == ("done", "")
    assert view["weighed"] is not None
