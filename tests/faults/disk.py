"""A disk of a few megabytes that can be filled, and one that refuses every write."""

import errno
import resource
import subprocess
from pathlib import Path

from tests.service.watching import WatchProcess

_SIZE = "6m"
_CHUNK = b"\0" * 4096


class SmallDisk:
    """A folder on a disk of its own.

    Where the kernel lets us mount (root) it is a file system in memory, filled with a file. Where
    it does not, a full disk is the limit that the kernel puts on the size of a process's files:
    writes beyond it are refused, as they are on a full disk.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()
        command = ["mount", "-t", "tmpfs", "-o", f"size={_SIZE}", "small-disk", str(folder)]
        self.mounted = subprocess.run(command, capture_output=True, check=False).returncode == 0
        self._ballast = folder / "ballast"

    def fill(self, watch: WatchProcess) -> None:
        """Leave no room for what `watch` writes."""
        if not self.mounted:
            refuse_writes(watch)
            return
        with self._ballast.open("wb", buffering=0) as ballast:
            try:
                while True:
                    ballast.write(_CHUNK)
            except OSError as error:
                if error.errno != errno.ENOSPC:
                    raise

    def free(self, watch: WatchProcess) -> None:
        """Make room again."""
        if self.mounted:
            self._ballast.unlink()
        else:
            let_write(watch)

    def close(self) -> None:
        """Take the disk away."""
        if self.mounted:
            command = ["umount", "--lazy", str(self.folder)]
            subprocess.run(command, check=True)


def refuse_writes(watch: WatchProcess) -> None:
    """Let the kernel refuse every write of a process to any file (EFBIG)."""
    resource.prlimit(watch.pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))


def let_write(watch: WatchProcess) -> None:
    """Let it write again."""
    unlimited = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
    resource.prlimit(watch.pid, resource.RLIMIT_FSIZE, unlimited)
