"""The process that plans, records and answers people."""
