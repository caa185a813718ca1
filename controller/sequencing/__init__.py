"""Pure planning: doses from a recipe, supply budget, shortest schedule, plan."""
