"""Both example evenings on eight lines, without and with twins on the spare lines: what guests wait.

The same guests come each time, to the same pumps; the scale is left out, which makes it quick. All data are invented.

python3 demo twins [fete|supper]
"""

import sys
from pathlib import Path
from statistics import fmean, quantiles

import structlog
from msgspec.structs import replace

from controller.cli.pages.rehearsal_report import duration
from controller.config import load_event
from controller.rehearsal.evening import rehearse

HERE = Path(__file__).resolve().parent
PROFILE = HERE.parent / "hardware_profiles" / "bench_eight_line.yaml"
EVENINGS = (("fete", HERE / "orchard_fete.yaml"), ("supper", HERE / "harvest_supper.yaml"))
SEED = 1


def main() -> int:
    """0 only if twins shorten the mean wait of every evening, and every dose was inside its tolerance."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    is_good = True
    for name, book_path in EVENINGS:
        if name not in (sys.argv[1:] or [name]):
            continue
        event, profile, book, _ = load_event(HERE / f"{name}_event.yaml", PROFILE, book_path)
        means_s = []
        for twins in (False, True):
            evening = rehearse(event, replace(profile, scale=None), book, seed=SEED, twins=twins)
            waits_s = evening.waits_s
            means_s.append(fmean(waits_s))
            print(
                f"{name} {'with' if twins else 'without'} twins: {len(evening.served)} drinks; wait "
                f"{duration(means_s[-1])} on average, {duration(quantiles(waits_s, n=20)[-1])} for 95 of 100, "
                f"{duration(max(waits_s))} at most",
                flush=True,
            )
            is_good = is_good and bool(evening.doses) and all(dose.is_inside for dose in evening.doses)
        is_good = is_good and means_s[1] < means_s[0]
    return 0 if is_good else 1


if __name__ == "__main__":
    sys.exit(main())
