"""The watch's client ID: a name that nobody guesses, kept beside the store.

What the broker keeps for the watch hangs on it. It is kept in a file of its own, so that a store
that is damaged and set aside takes no queued messages along.
"""

import logging
import os
import re
import secrets
from pathlib import Path

from cabinetwatch.config.mqtt import Mqtt
from cabinetwatch.store.place import has_our_lock

_log = logging.getLogger(__name__)

_BEFORE = "cabinetwatch"
"""What every watch was called that made up no ID of its own yet."""

_LETTERS = "0123456789abcdefghijklmnopqrstuvwxyz"
_LONGEST = 23
"""Every broker takes letters and digits up to here (MQTT 3.1.1, 3.1.3-5; MQTT 5.0, 3.1.3-5)."""

_OURS = re.compile(r"[0-9A-Za-z]{1,23}")


def client_id_of(settings: Mqtt, store: Path, *, has_run: bool, last: str = "") -> str:
    """Give the client ID of the watch over a store: the configured one, or else its own.

    Its own is made up at its first start, and the same ever after. Where it is not beside the
    store, as after a restore onto a new card, the watch goes on under the name that it last had,
    and one that ran before it made one up under the old name: the broker keeps messages for that.

    Args:
        settings: the table [mqtt].
        store: the path of the store.
        has_run: whether a watch has run with this store before.
        last: under which ID it was last let in, as the store has it; empty where it does not say.
    """
    path = store.with_name(f"{store.name}.client-id")
    own = _read(path)
    if own is None:
        own = made_up()
        if has_run and settings.client_id is None:
            own = last if _OURS.fullmatch(last) else _BEFORE
        _keep(path, own)
    return settings.client_id or own


def client_id_without(settings: Mqtt, store: Path) -> str:
    """Give the client ID where the store's disk refuses: as `client_id_of`, but nothing is kept."""
    own = _read(store.with_name(f"{store.name}.client-id"))
    if own is None:
        own = _BEFORE if has_our_lock(store) else made_up()
    return settings.client_id or own


def client_id_last(settings: Mqtt, store: Path) -> str:
    """Give the client ID that a watch over the store would have gone by so far."""
    return settings.client_id or _read(store.with_name(f"{store.name}.client-id")) or _BEFORE


def made_up() -> str:
    """Make up a client ID that nobody guesses: 56 bits behind the program's name."""
    return _BEFORE + "".join(secrets.choice(_LETTERS) for _ in range(_LONGEST - len(_BEFORE)))


def _read(path: Path) -> str | None:
    try:
        with path.open("rb") as file:
            text = file.read(_LONGEST + 2).decode("ascii", "replace").strip()
    except OSError:
        return None
    return text if _OURS.fullmatch(text) else None


def _keep(path: Path, client_id: str) -> None:
    """Write the file whole or not at all; a disk that refuses is told, not fatal."""
    made = path.with_name(f"{path.name}.new")
    try:
        descriptor = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(f"{client_id}\n")
            file.flush()
            os.fsync(file.fileno())
        made.replace(path)
    except OSError as error:
        _log.error(
            "the client ID can't be kept in %s (%s): after a restart the broker will take the watch"
            " for another one, and keep this one's messages from it; set client_id in [mqtt]",
            path,
            error.strerror,
        )
