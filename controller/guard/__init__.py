"""The process that owns the pins."""
