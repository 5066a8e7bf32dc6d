"""A connection to a database that nobody closes is a warning, and so a failure, in every test."""

import gc
import sqlite3

import pytest


def test_a_database_that_nobody_closes_is_told() -> None:
    def leave_open() -> None:
        sqlite3.connect(":memory:").execute("SELECT 1")
        gc.collect()

    with pytest.warns(ResourceWarning, match="unclosed database"):
        leave_open()
