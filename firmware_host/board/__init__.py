"""Board logic and firmware; imports nothing that MicroPython lacks."""
