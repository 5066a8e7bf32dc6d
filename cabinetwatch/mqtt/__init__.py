"""From the broker to readings: the MQTT session, payload decoding, recordings."""
