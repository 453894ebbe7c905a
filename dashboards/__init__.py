"""What people look at: an MQTT client with its own history that serves the page."""
