"""Tundish: the controller of a machine that mixes drinks with peristaltic pumps on a relay board."""
