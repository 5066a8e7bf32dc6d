"""The store: what the watch was told and what it said, in one SQLite file that survives a kill."""
