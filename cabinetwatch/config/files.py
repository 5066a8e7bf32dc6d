"""Files that the configuration names: whether they can be read, and by whom."""

import stat
from pathlib import Path


def check_readable(path: Path) -> None:
    """Open the file for reading once.

    Raises:
        ValueError: it can't be opened; says why.
    """
    try:
        with path.open("rb"):
            pass
    except OSError as error:
        raise ValueError(f"can't be read ({error.strerror})") from None


def check_private(path: Path) -> None:
    """See that a file with a secret is closed to other users; a group may share it on purpose.

    Raises:
        ValueError: others can read it.
    """
    if path.stat().st_mode & stat.S_IROTH:
        raise ValueError(f"can be read by every user of this machine; chmod o= {path} closes it")
