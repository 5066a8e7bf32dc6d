"""Errors that a user can cause or must hear of: one whole sentence each."""


class CabinetwatchError(Exception):
    """Base of every error that the command line prints as a sentence instead of a traceback."""


class UsageError(CabinetwatchError):
    """Wrong use: a bad argument, an unknown ID or subject (exit status 2)."""


class ConfigError(CabinetwatchError):
    """The configuration can't be used; `problems` holds one sentence for each fault found."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class StoreError(CabinetwatchError):
    """The store could not be opened, read or written."""
