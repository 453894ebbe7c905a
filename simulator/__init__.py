"""What stands in for the hardware, and the seasons run on it."""
