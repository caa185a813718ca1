"""Guard, engine and bench in one process on a virtual clock: the same code, no waiting."""
