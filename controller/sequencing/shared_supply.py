"""Machines on one supply: each has a guard of its own that knows nothing of the others, so their caps must add up."""

from collections.abc import Sequence

from controller.model.profile import Profile
from controller.sequencing.budget import standing_a


def problems(profiles: Sequence[Profile]) -> tuple[str, ...]:
    """Why these machines (two at least) may not hang on one supply together, a sentence each; nothing when they may."""
    found: list[str] = []
    names = {one.supply.shared_as for one in profiles}
    if len(names) > 1 or None in names:
        found.append("they do not name the same supply. Write the same shared_as under supply: in each profile.")
    if len({one.machine for one in profiles}) < len(profiles):
        found.append("two profiles are of one machine. Give each machine a name of its own.")
    for figure in ("voltage_v", "rated_a", "continuous_fraction"):
        values = [getattr(one.supply, figure) for one in profiles]
        if len(set(values)) > 1:
            found.append(f"supply {figure} differs: {', '.join(f'{value:g}' for value in values)}. It is one supply.")
    rated_a = min(one.supply.rated_a for one in profiles)
    rows = [(one.caps.current_a, standing_a(one)) for one in profiles]
    total_a = sum(cap_a + rest_a for cap_a, rest_a in rows)
    if total_a > rated_a + 1e-9:
        each = " + ".join(f"({cap_a:g} A for pumps + {rest_a:.2f} A besides)" for cap_a, rest_a in rows)
        found.append(
            f"at any instant they may draw {each} = {total_a:.2f} A, the supply gives "
            f"{rated_a:g} A: {total_a - rated_a:.2f} A too much. Lower caps: current, or take a larger supply."
        )
    running_a = sum(_running_a(one) + standing_a(one) for one in profiles)
    allowed_a = rated_a * min(one.supply.continuous_fraction for one in profiles)
    if running_a > allowed_a + 1e-9:
        found.append(
            f"all evening they may draw {running_a:.2f} A, the supply gives {allowed_a:.2f} A so long. Lower caps: "
            "current or concurrent, or take a larger supply."
        )
    return tuple(found)


def _running_a(profile: Profile) -> float:
    """The most that its pumps draw once started, A."""
    steady = sorted((line.pump.run_a for line in profile.lines), reverse=True)
    return min(profile.caps.current_a, sum(steady[: profile.caps.concurrent]))
