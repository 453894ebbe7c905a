"""An annotated example of a site file: an invented allotment above a river."""

from __future__ import annotations

import importlib.resources


def example_site_text() -> str:
    """The text of the example site file."""
    return importlib.resources.files(__name__).joinpath("site.toml").read_text(encoding="utf-8")
