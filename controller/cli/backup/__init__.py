"""Commands that keep a machine's files and records in one archive and put them back: backup, restore."""
