"""How much a prepacked container holds, by law."""

from controller.errors import require_positive

# Nominal volume up to (mL) -> tolerable negative error as (fraction of it, mL): Directive 76/211/EEC, Annex I, 2.4, as
# amended (from memory). Not more than one package in forty may fall short by more: two standard uncertainties.
_TOLERABLE: tuple[tuple[float, tuple[float, float]], ...] = (
    (50.0, (0.09, 0.0)),
    (100.0, (0.0, 4.5)),
    (200.0, (0.045, 0.0)),
    (300.0, (0.0, 9.0)),
    (500.0, (0.03, 0.0)),
    (1000.0, (0.0, 15.0)),
    (float("inf"), (0.015, 0.0)),
)


def tolerable_error_ml(nominal_ml: float) -> float:
    """By how much a prepacked container of this nominal volume (mL, > 0) may fall short of it, mL."""
    require_positive("nominal volume", nominal_ml, "mL")
    fraction, fixed_ml = next(error for most_ml, error in _TOLERABLE if nominal_ml <= most_ml)
    return fraction * nominal_ml + fixed_ml
