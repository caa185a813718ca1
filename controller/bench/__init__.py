"""The simulated machine: physics, faults, its process and its gpiozero pin factory."""
