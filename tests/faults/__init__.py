"""Faults of the world around the watch, each on the real thing: what is told, what is lost."""
