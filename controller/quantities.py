"""Quantities as people write and read them. The only import of pint."""
