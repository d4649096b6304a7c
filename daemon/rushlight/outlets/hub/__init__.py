"""The home-automation hub over MQTT."""
