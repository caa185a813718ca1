"""Pure planning of an event: what to buy, which liquid on which line, how long people wait."""
