"""What is on record: the engine's ledger, in SQLite, and the guard's journal, as chained lines."""
