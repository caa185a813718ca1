"""Commands that open the engine to the local network, and close it."""
