"""Commands that show records: status, calibration, history, journal."""
