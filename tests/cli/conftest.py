"""Children of the commands are forks here, too."""

from tests.service.conftest import processes

__all__ = ["processes"]
