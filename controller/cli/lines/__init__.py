"""Commands for lines and containers: assign, jog, prime, purge, clean, rinse, stock, hygiene."""
