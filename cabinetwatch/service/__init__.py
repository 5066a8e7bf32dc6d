"""The daemon: starts, joins and stops the parts; nothing below knows of it."""
