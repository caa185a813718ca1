"""The guard's pure core: caps, line contents, machine states, supervisor. No clock, file, socket or pin."""
