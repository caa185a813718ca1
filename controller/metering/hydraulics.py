"""Tubes: what they hold and what they resist."""

import math

from controller.errors import require_in_range, require_positive

LAMINAR_REYNOLDS = 2000.0  # laminar for sure below this; 2000 to 2300 is the usual figure (any handbook)
MOST_REYNOLDS = 1e5


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
    return _reynolds(flow_ml_s, viscosity_mpa_s, density_kg_m3, bore_mm)


def pressure_loss_pa(
    *, flow_ml_s: float, viscosity_mpa_s: float, density_kg_m3: float, bore_mm: float, length_m: float
) -> float:
    """Pressure lost to friction in a round smooth tube, Pa: see friction_pa.

    All arguments > 0 (length_m >= 0). OutOfRange for a Reynolds number over 1e5, where Blasius' law ends. Entrance and
    bends are left out.
    """
    number = reynolds(
        flow_ml_s=flow_ml_s, viscosity_mpa_s=viscosity_mpa_s, density_kg_m3=density_kg_m3, bore_mm=bore_mm
    )
    require_in_range("Reynolds number", number, 0.0, MOST_REYNOLDS, "")
    require_in_range("length_m", length_m, 0.0, math.inf, "m")
    return friction_pa(flow_ml_s, viscosity_mpa_s, density_kg_m3, bore_mm, length_m)


def friction_pa(
    flow_ml_s: float, viscosity_mpa_s: float, density_kg_m3: float, bore_mm: float, length_m: float
) -> float:
    """The law alone, Pa, for arguments already checked.

    Laminar: Hagen-Poiseuille, 128 mu L Q / (pi d^4), a friction factor of 64 / Re. From a Reynolds number of 2000 on
    the flow is taken for turbulent, which costs more: 0.3164 / Re^0.25 (Blasius 1913; smooth tubes up to 1e5).
    """
    laminar_pa = 128.0 * viscosity_mpa_s * 1e-3 * length_m * flow_ml_s * 1e-6 / (math.pi * (bore_mm * 1e-3) ** 4)
    number = _reynolds(flow_ml_s, viscosity_mpa_s, density_kg_m3, bore_mm)
    return laminar_pa if number < LAMINAR_REYNOLDS else laminar_pa * 0.3164 / 64.0 * number**0.75


def _reynolds(flow_ml_s: float, viscosity_mpa_s: float, density_kg_m3: float, bore_mm: float) -> float:
    return 4.0 * density_kg_m3 * flow_ml_s * 1e-6 / (math.pi * viscosity_mpa_s * 1e-3 * bore_mm * 1e-3)
