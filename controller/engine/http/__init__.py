"""The engine's HTTP interface: who may ask, what is routed where, how answers and problems look."""
