"""The clocked scan loop around the pure core."""
