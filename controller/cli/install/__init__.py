"""Commands that make guard and engine services of the system: install, upgrade, uninstall."""
