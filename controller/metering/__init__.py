"""Pure metrology: density, gravimetry, calibration fit, dose error, hydraulics."""
