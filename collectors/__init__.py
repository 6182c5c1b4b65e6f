"""How readings get in: MQTT, files, by hand."""
