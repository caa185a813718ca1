"""`tundish budget`: what the supply can give, and what is left for pumps."""

from pathlib import Path

import click

from controller.cli.examples import profile_option
from controller.cli.options import Session, json_option, table
from controller.sequencing.budget import BudgetRow, SupplyBudget, supply_budget


@click.command()
@profile_option
@json_option
def budget(profile_path: Path, session: Session) -> int:
    """Show the supply budget: standing loads, what is left for pumps, and the voltages that follow.

    Ends with 1 when a line cannot run at all on this supply.
    """
    from controller.config import load_profile

    profile, _ = load_profile(profile_path)
    found = supply_budget(profile)
    session.show(found, _draw)
    return 1 if found.problems else 0


def _draw(found: SupplyBudget) -> str:
    header = ("what", "value", "limit", "margin", "")
    together = f"any {found.pumps_started} pumps may run together, the inrush of the last one included"
    parts = [
        table(header, map(_cells, found.rows)),
        f"\nA plan may use {found.current_limit_a:.2f} A at any instant; {together}.",
        *(click.style(f"problem: {one}", fg="red") for one in found.problems),
    ]
    return "\n".join(parts)


def _cells(row: BudgetRow) -> tuple[str, ...]:
    margin = "" if row.margin is None else f"{row.margin:+.2f} {row.unit}"
    exceeded = "EXCEEDED  " if row.margin is not None and row.margin < 0 else ""
    limit = "" if row.limit is None else f"{row.limit:.2f} {row.unit}"
    return row.name, f"{row.value:.2f} {row.unit}", limit, margin, exceeded + row.note
