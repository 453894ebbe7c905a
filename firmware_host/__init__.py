"""The serial cable, both ends."""
