"""The board's drivers import MicroPython's own modules: stand-ins for them must be there before any test module is."""

import tests.fake_machine  # noqa: F401
