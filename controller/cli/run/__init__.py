"""Commands that start, stop and simulate the machine's processes: up, down, guard, engine, bench, reload, all-off."""
