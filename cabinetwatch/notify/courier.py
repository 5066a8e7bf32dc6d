"""Brings letters to the mail server in their order, and tries again until they are taken."""

import logging
from collections import deque

from cabinetwatch.config.model import Config
from cabinetwatch.config.notify import Email
from cabinetwatch.errors import ConfigError
from cabinetwatch.notify.channels.email import EmailChannel
from cabinetwatch.notify.channels.smtp import Timeouts
from cabinetwatch.notify.letter import Letter, write

_log = logging.getLogger(__name__)

_FIRST_PAUSE_S = 10.0
_LONGEST_PAUSE_S = 300.0


class Courier:
    """Letters under way, in memory. Each recipient is told once.

    Args:
        config: with a table [notify.email].
        timeouts: of the mail server's answers.

    Raises:
        ConfigError: there is no such table, or its password can't be read.
    """

    def __init__(self, config: Config, timeouts: Timeouts | None = None) -> None:
        email = config.notify.email
        if email is None:
            raise ConfigError(["a table [notify.email] is needed: it says whom to mail, and how"])
        self._config = config
        self._email: Email = email
        self._channel = EmailChannel(config, email, config.secret("email-password"), timeouts)
        self._waiting: deque[tuple[bytes, str]] = deque()
        self._recipients = email.to
        self._pause_s = _FIRST_PAUSE_S
        self._next_s = 0.0
        self.delivered = 0
        """Letters that the server has taken for at least one recipient."""

    @property
    def pending(self) -> bool:
        """Whether a letter waits."""
        return bool(self._waiting)

    def add(self, letter: Letter) -> None:
        """Take a letter; its mail stays the same at each attempt."""
        self._waiting.append((write(letter, self._config, self._email), letter.subject))

    def step(self, now_s: float) -> None:
        """Try the oldest letter, if one waits and it is time (on any clock that never steps)."""
        if not self._waiting or now_s < self._next_s:
            return
        content, subject = self._waiting[0]
        attempt = self._channel.post(content, self._recipients)
        if attempt.accepted:
            _log.info("mailed: %s", subject)
        for address, refusal in attempt.refused.items():
            _log.error("%s was not told: %s", address, refusal.error)
        if attempt.unreachable:
            _log.error("not mailed yet: %s", attempt.unreachable)
        left = tuple(
            address
            for address in self._recipients
            if attempt.unreachable
            or (address in attempt.refused and not attempt.refused[address].permanent)
        )
        self.delivered += bool(attempt.accepted)
        self._go_on(left, now_s)

    def _go_on(self, left: tuple[str, ...], now_s: float) -> None:
        if left:
            self._recipients = left
            self._next_s = now_s + self._pause_s
            self._pause_s = min(2 * self._pause_s, _LONGEST_PAUSE_S)
            return
        self._waiting.popleft()
        self._recipients = self._email.to
        self._pause_s, self._next_s = _FIRST_PAUSE_S, now_s
