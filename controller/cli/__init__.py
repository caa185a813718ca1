"""The command `tundish`."""
