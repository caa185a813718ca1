"""Frozen values shared by all processes: profile, book, plans, calibrations, messages. No logic, no I/O."""
