"""Tests of the running watch on real parts: broker, mail server, database file, processes."""
