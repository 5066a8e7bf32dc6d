"""Tests of the rule engine: pure, with invented instants."""
