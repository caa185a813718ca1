"""`tundish scale`: the load cell under the glass."""
