"""A journal in use, recorded call by call, so that power cuts and failing media can be played through."""
