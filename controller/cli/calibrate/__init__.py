"""Commands that weigh: calibrate, spot-check, sag."""
