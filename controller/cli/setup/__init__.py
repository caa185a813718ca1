"""Commands on files, before a machine runs: new, check, schema, wiring, budget."""
