"""Files that people edit, read into frozen values: every problem at once, with place and way out."""
