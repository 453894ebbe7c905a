"""The shell around the core: serial line, journal, MQTT, clock, daemon."""
