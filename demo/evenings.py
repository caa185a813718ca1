"""Two whole evenings in virtual time: the orchard fete and the harvest supper, from calibration to the last rinse.

All data are invented. For each: the rehearsal's report and the lines' hygiene record, below demo/out.
"""

import os
import sys
import time
from pathlib import Path

import click
import structlog

from controller.cli.events.rehearse import draw_evening
from controller.cli.lines.hygiene import write_csv
from controller.cli.pages.hygiene_record import page as hygiene_page
from controller.cli.pages.rehearsal_report import page as report_page
from controller.config import load_event
from controller.rehearsal.evening import rehearse

HERE = Path(__file__).resolve().parent
PROFILES = HERE.parent / "hardware_profiles"
OUT = HERE / "out"
SEED = 3
EVENINGS = (
    ("fete", PROFILES / "bench_six_line.yaml", HERE / "orchard_fete.yaml"),
    ("supper", PROFILES / "bench_eight_line.yaml", HERE / "harvest_supper.yaml"),
)


def main() -> int:
    """0 only if every dose of both evenings was inside its tolerance."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    OUT.mkdir(exist_ok=True)
    is_good = True
    for name, profile_path, book_path in EVENINGS:
        began_s = time.monotonic()
        event, profile, book, _ = load_event(HERE / f"{name}_event.yaml", profile_path, book_path)
        evening = rehearse(event, profile, book, seed=SEED)
        click.echo(draw_evening(evening))
        report, record = OUT / f"{name}_evening.html", OUT / f"{name}_evening_hygiene.html"
        report.write_text(report_page(evening), encoding="utf-8")
        record.write_text(hygiene_page(evening.hygiene), encoding="utf-8")
        write_csv(evening.hygiene, record.with_suffix(".csv"))
        print(f"report: {os.path.relpath(report)}; hygiene record: {os.path.relpath(record)}, and the same as .csv")
        print(f"{time.monotonic() - began_s:.0f} s\n", flush=True)
        is_good = is_good and bool(evening.doses) and all(dose.is_inside for dose in evening.doses)
    return 0 if is_good else 1


if __name__ == "__main__":
    sys.exit(main())
