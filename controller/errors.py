"""Errors that are for people. A bug stays an ordinary exception: it ends the process, and the leases make it safe."""

from __future__ import annotations


class PumphouseError(Exception):
    """Something the owner can act on; its text says what, where, and how to cure it."""

    exit_code = 1


class ConfigurationError(PumphouseError):
    """What was declared cannot be used: the program refuses to start. Nothing is actuated."""

    exit_code = 2


class OperatingError(PumphouseError):
    """Something outside failed (port, broker, disk); at run time handled and counted, on the command line shown."""
