"""What tubes resist."""

import math

LAMINAR_REYNOLDS = 2000.0  # laminar for sure below this; 2000 to 2300 is the usual figure (any handbook)


def reynolds(flow_ml_s: float, viscosity_mpa_s: float, density_kg_m3: float, bore_mm: float) -> float:
    """Reynolds number of the flow in a round tube, 4 rho Q / (pi mu d); all arguments > 0."""
    return 4.0 * density_kg_m3 * flow_ml_s * 1e-6 / (math.pi * viscosity_mpa_s * 1e-3 * bore_mm * 1e-3)


def friction_pa(
    flow_ml_s: float, viscosity_mpa_s: float, density_kg_m3: float, bore_mm: float, length_m: float
) -> float:
    """Pressure lost to friction in a round smooth tube, Pa; all arguments > 0. Entrance and bends are left out.

    Laminar: Hagen-Poiseuille, 128 mu L Q / (pi d^4), a friction factor of 64 / Re. From a Reynolds number of 2000 on
    the flow is taken for turbulent, which costs more: 0.3164 / Re^0.25 (Blasius 1913; smooth tubes up to 1e5).
    """
    laminar_pa = 128.0 * viscosity_mpa_s * 1e-3 * length_m * flow_ml_s * 1e-6 / (math.pi * (bore_mm * 1e-3) ** 4)
    number = reynolds(flow_ml_s, viscosity_mpa_s, density_kg_m3, bore_mm)
    return laminar_pa if number < LAMINAR_REYNOLDS else laminar_pa * 0.3164 / 64.0 * number**0.75
