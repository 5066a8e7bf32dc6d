"""Files of the configuration and those that it names: whether they can be read, and by whom."""

import os
import pwd
import stat
from pathlib import Path

_LARGEST_NAMED = 1024 * 1024
"""Bytes of a password, a key or a list of certificates."""


def read_plain_file(path: Path, largest: int, *, trusted_by_root: bool = False) -> bytes:
    """Read a file that is one, and not too large: a pipe or a device may have no end.

    Args:
        path: the file.
        largest: more bytes than these are refused.
        trusted_by_root: whether root takes it only when nobody else can have written it.

    Raises:
        ValueError: says what is wrong with it.
    """
    try:
        # Without waiting for whoever writes into a pipe, and without making a terminal ours.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    except OSError as error:
        raise ValueError(f"can't be read ({error.strerror})") from None
    try:
        status = os.fstat(descriptor)
        if stat.S_ISDIR(status.st_mode):
            raise ValueError("can't be read (Is a directory)")
        if not stat.S_ISREG(status.st_mode):
            raise ValueError("is no plain file but a device or a pipe; name a file")
        if status.st_size > largest:
            raise ValueError(f"is larger than {largest // 1024} KB; is it the right file?")
        if trusted_by_root and os.geteuid() == 0:
            _check_root_s(descriptor, status)
        with open(descriptor, "rb", closefd=False) as file:
            return file.read(largest)
    except OSError as error:
        raise ValueError(f"can't be read ({error.strerror})") from None
    finally:
        os.close(descriptor)


def _check_root_s(descriptor: int, status: os.stat_result) -> None:
    """See that nobody but root can have written a file, or put it where it is.

    Raises:
        ValueError: somebody can.
    """
    if status.st_uid != 0:
        user = _name_of(status.st_uid)
        raise ValueError(
            f"belongs to {user}, and root takes only a configuration that belongs to root; run this"
            f" as {user}, or make the file root's"
        )
    if _others_may_write(status):
        raise ValueError(
            "can be written by others, and root takes only a configuration that root alone can"
            " write; chmod go-w closes it"
        )
    # Where it lies in truth, whatever links led to it.
    folder = Path(f"/proc/self/fd/{descriptor}").resolve().parent
    try:
        around = folder.stat()
    except OSError:
        return
    if around.st_uid != 0 or _others_may_write(around):
        raise ValueError(
            f"lies in {folder}, where others than root can write, and root takes no configuration"
            " from there; move it, or run this as another user"
        )


def _others_may_write(status: os.stat_result) -> bool:
    """Whether anybody but root can; root's own group is root."""
    by_group = status.st_mode & stat.S_IWGRP and status.st_gid != 0
    return bool(by_group or status.st_mode & stat.S_IWOTH)


def _name_of(user: int) -> str:
    try:
        return pwd.getpwuid(user).pw_name
    except KeyError:
        return f"user {user}"


def check_readable(path: Path) -> None:
    """Open the file for reading once.

    Raises:
        ValueError: it can't be opened, or is no plain file; says why.
    """
    read_plain_file(path, _LARGEST_NAMED)


def check_private(path: Path) -> None:
    """See that a file with a secret is closed to other users; a group may share it on purpose.

    Raises:
        ValueError: others can read or change it.
    """
    mode = path.stat().st_mode
    if mode & stat.S_IROTH:
        raise ValueError(f"can be read by every user of this machine; chmod o= {path} closes it")
    if mode & stat.S_IWOTH:
        raise ValueError(f"can be changed by every user of this machine; chmod o= {path} closes it")
