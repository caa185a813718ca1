"""What a book is checked against: as much of a machine as is known, be its profile valid or not."""

import math
from dataclasses import dataclass

from controller.config.diagnostics import Found
from controller.model.profile import Caps, Profile


@dataclass(frozen=True, kw_only=True)
class KnownMachine:
    """Lines with their pumps' nominal flows (mL/s, infinite where unknown), and the caps; None for what is unknown.

    most: how many times its nominal flow each line may move, by the upper edge of its band; known with the flows.
    """

    flows_ml_s: dict[int, float] | None = None
    most: dict[int, float] | None = None
    caps: Caps | None = None

    @classmethod
    def of_profile(cls, profile: Profile) -> "KnownMachine":
        """Everything, from a valid profile."""
        flows = {line.line: line.pump.nominal_flow_ml_s for line in profile.lines}
        most = {line: profile.flow_band(line).most_ml_s / flow_ml_s for line, flow_ml_s in flows.items()}
        return cls(flows_ml_s=flows, most=most, caps=profile.caps)

    @classmethod
    def of_found(cls, profile: Found) -> "KnownMachine":
        """What is valid in a profile that may have problems elsewhere."""
        valid = profile.valid(Profile)
        if valid is not None:
            return cls.of_profile(valid)
        flows: dict[int, float] = {}
        for line in profile.under("lines"):
            number = line.get("line", int)
            if number is None:
                return cls(caps=profile.get("caps", Caps))
            flows[number] = line.at("pump").get("nominal_flow_ml_s", float) or math.inf
        return cls(flows_ml_s=flows or None, caps=profile.get("caps", Caps))
