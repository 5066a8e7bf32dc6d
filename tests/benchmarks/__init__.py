"""Benchmarks: absolute figures beside a yardstick measured in the same run."""
