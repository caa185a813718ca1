"""The process that plans, records and serves the HTTP interface."""
