"""Commands for drinks: menu, plan, pour, confirm, stop, acknowledge."""
