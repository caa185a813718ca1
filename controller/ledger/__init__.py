"""SQLite records: the engine's ledger and the guard's journal."""
