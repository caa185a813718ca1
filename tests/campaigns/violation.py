"""What a watch raises."""


class Violation(Exception):
    """Something that must never be."""
