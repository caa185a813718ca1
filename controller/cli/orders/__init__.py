"""Commands about orders."""
