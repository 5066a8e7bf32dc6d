"""Tests of the store, on real files."""
