"""Tests of the scripts under deploy/ and of the pinned versions."""
