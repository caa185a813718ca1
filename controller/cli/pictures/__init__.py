"""Pictures, drawn with matplotlib."""
