"""A disk that can be filled, one that fails amid a run, and one that refuses every write."""

import errno
import os
import resource
import subprocess
from pathlib import Path

from tests.service.watching import WatchProcess, wait_until

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


class FailingDisk:
    """A folder on an ext4 disk that the kernel makes read-only amid a run, as Debian mounts them.

    Where the kernel lets us mount an image of a disk (root), an error of its file system is
    triggered by the switch that ext4 has for tests (/sys/fs/ext4/DISK/trigger_fs_error). Where it
    does not, the disk refuses the writes of one process.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()
        self._image = folder.with_suffix(".img")
        with self._image.open("wb") as image:
            image.truncate(24 << 20)
        made = _works("mkfs.ext4", "-q", "-F", str(self._image))
        self.mounted = made and self._mount()
        if self.mounted and not os.access(self._trigger(), os.W_OK):
            self.close()
            self.mounted = False

    def fail(self, watch: WatchProcess) -> None:
        """Make it read-only, with its files open."""
        if not self.mounted:
            refuse_writes(watch)
            return
        self._trigger().write_text("an error for the test of a failing disk")
        probe = self.folder / "probe"
        try:
            probe.touch()
        except OSError as error:
            if error.errno != errno.EROFS:
                raise
        else:
            raise AssertionError("the disk can still be written")

    def mend(self, watch: WatchProcess) -> None:
        """Unmount it, which nobody can whose files are open, check it, and mount it again."""
        if not self.mounted:
            let_write(watch)
            return
        wait_until(lambda: _works("umount", str(self.folder)), "the disk to be let go of")
        # 1 says that errors were corrected (e2fsck(8)).
        checked = subprocess.run(
            ["e2fsck", "-f", "-y", str(self._image)], capture_output=True, check=False
        )
        assert checked.returncode in {0, 1}, checked.stdout
        assert self._mount()

    def close(self) -> None:
        """Take the disk away."""
        if self.mounted:
            subprocess.run(["umount", "--lazy", str(self.folder)], check=True)

    def _mount(self) -> bool:
        options = "loop,errors=remount-ro"
        return _works("mount", "-o", options, str(self._image), str(self.folder))

    def _trigger(self) -> Path:
        device = self.folder.stat().st_dev
        block = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}").resolve()
        return Path("/sys/fs/ext4") / block.name / "trigger_fs_error"


def _works(*command: str) -> bool:
    """Run a program; False also where there is none of this name."""
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        return False


def refuse_writes(watch: WatchProcess) -> None:
    """Let the kernel refuse every write of a process to any file (EFBIG)."""
    resource.prlimit(watch.pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))


def let_write(watch: WatchProcess) -> None:
    """Let it write again."""
    unlimited = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
    resource.prlimit(watch.pid, resource.RLIMIT_FSIZE, unlimited)
