"""Tests of the demonstration: physics, nodes, broker, mail drop and the whole."""
