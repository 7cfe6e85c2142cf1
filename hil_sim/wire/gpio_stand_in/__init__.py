"""Goes on PYTHONPATH in front of the real library `gpiod`, and only before a simulated plant."""
