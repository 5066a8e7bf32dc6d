"""Tests of the before/after analysis."""
