"""Commands for an event with guests: prepare, rehearse."""
