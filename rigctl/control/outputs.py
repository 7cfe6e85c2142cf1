"""What each phase wants of the outputs, and the last gate before the hardware."""
