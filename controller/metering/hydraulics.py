"""Tubes: what they hold and what they resist."""

import math

from controller.errors import OutOfRange, require_in_range, require_positive

LAMINAR_REYNOLDS = 2000.0  # laminar for sure below this; 2000 to 2300 is the usual figure (any handbook)


def line_volume_ml(bore_mm: float, length_m: float) -> float:
    """What a tube holds, mL; bore_mm > 0, length_m >= 0."""
    require_positive("bore_mm", bore_mm, "mm")
    require_in_range("length_m", length_m, 0.0, math.inf, "m")
    return math.pi / 4.0 * bore_mm**2 * length_m


def reynolds(*, flow_ml_s: float, viscosity_mpa_s: float, density_kg_m3: float, bore_mm: float) -> float:
    """Reynolds number of the flow in a round tube, 4 rho Q / (pi mu d); all arguments > 0."""
    require_positive("flow_ml_s", flow_ml_s, "mL/s")
    require_positive("viscosity_mpa_s", viscosity_mpa_s, "mPa*s")
    require_positive("density_kg_m3", density_kg_m3, "kg/m3")
    require_positive("bore_mm", bore_mm, "mm")
    return 4.0 * density_kg_m3 * flow_ml_s * 1e-6 / (math.pi * viscosity_mpa_s * 1e-3 * bore_mm * 1e-3)


def pressure_loss_pa(
    *, flow_ml_s: float, viscosity_mpa_s: float, density_kg_m3: float, bore_mm: float, length_m: float
) -> float:
    """Pressure lost to friction in a round tube, Pa: Hagen-Poiseuille, 128 mu L Q / (pi d^4).

    All arguments > 0 (length_m >= 0). OutOfRange for a Reynolds number from 2000 on: the flow is then not laminar for
    sure, and the loss larger than this. Entrance and bends are left out.
    """
    number = reynolds(
        flow_ml_s=flow_ml_s, viscosity_mpa_s=viscosity_mpa_s, density_kg_m3=density_kg_m3, bore_mm=bore_mm
    )
    if number >= LAMINAR_REYNOLDS:
        raise OutOfRange("Reynolds number of laminar flow", number, 0.0, LAMINAR_REYNOLDS, "")
    require_in_range("length_m", length_m, 0.0, math.inf, "m")
    return laminar_pa(flow_ml_s, viscosity_mpa_s, bore_mm, length_m)


def laminar_pa(flow_ml_s: float, viscosity_mpa_s: float, bore_mm: float, length_m: float) -> float:
    """The law alone, Pa: for arguments already checked, laminar flow taken for granted."""
    return 128.0 * viscosity_mpa_s * 1e-3 * length_m * flow_ml_s * 1e-6 / (math.pi * (bore_mm * 1e-3) ** 4)
