"""The channels: e-mail, MQTT, and a program of the user's."""
