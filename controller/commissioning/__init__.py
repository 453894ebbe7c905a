"""Commissioning: what is asked, ordered and looked at in a new pump house, and what follows from it.

Each step is a generator that yields what it needs next and is sent the answer; it does no I/O and never asks for the
time by itself, so that a test can answer from the truth of a simulated plant.
"""
