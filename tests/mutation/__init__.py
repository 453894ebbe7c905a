"""Do the tests notice when the safety code decides otherwise? It is changed in one place at a time, and they run."""
