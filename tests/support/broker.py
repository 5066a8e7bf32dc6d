"""A real Mosquitto broker on a free port of 127.0.0.1, started and stopped at will."""

import getpass
import os
import shutil
import signal
import subprocess
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from tests.support.certificates import Certificate
from tests.support.patience import WITHIN_S
from tests.support.ports import free_port, is_listening, probes


def find_program(name: str) -> str:
    """Give the path of a program of the Mosquitto package.

    Raises:
        RuntimeError: it isn't installed; the sentence names the package.
    """
    # Debian keeps the broker in a folder that is not on every user's search path.
    path = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if path is None:
        raise RuntimeError(f"{name} is missing: install the package mosquitto to run these tests")
    return path


class Broker:
    """One Mosquitto process and its files; the port stays the same over restarts.

    `config_lines` are added to its configuration as they stand. `passwords` (user to password)
    makes it refuse anybody else; `certificate` makes its one listener speak TLS.
    """

    host = "127.0.0.1"

    def __init__(
        self,
        directory: Path,
        *,
        config_lines: Sequence[str] = (),
        passwords: Mapping[str, str] | None = None,
        certificate: Certificate | None = None,
    ) -> None:
        directory.mkdir(parents=True, exist_ok=True)
        self.directory = directory
        self.config_lines = list(config_lines)
        self.passwords = passwords
        self.certificate = certificate
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self._log_path = directory / "broker.log"

    @property
    def log(self) -> str:
        """What the broker has logged since it was made, over all its starts."""
        return self._log_path.read_text(errors="replace") if self._log_path.exists() else ""

    @property
    def running(self) -> bool:
        """Whether the process is alive."""
        return self._process is not None and self._process.poll() is None

    def start(self) -> "Broker":
        """Start it and return once it accepts connections."""
        if self.running:
            raise RuntimeError("the broker is running already")
        with self._log_path.open("ab") as log:
            self._process = subprocess.Popen(
                [find_program("mosquitto"), "-c", str(self._write_config())],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        for _ in probes():
            if not self.running:
                raise RuntimeError(f"the broker ended at its start: {self.log[-2000:]}")
            if is_listening(self.port):
                return self
        raise RuntimeError(f"the broker never listened on port {self.port}: {self.log[-2000:]}")

    def stop(self) -> None:
        """End it in good order; it writes its persistence file."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would; what it had not written is gone."""
        self._end(signal.SIGKILL)

    def restart(self) -> None:
        """Stop it in good order and start it again on the same port."""
        self.stop()
        self.start()

    def freeze(self) -> None:
        """Stop its process where it stands: connections stay open and nothing answers."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let a frozen process go on."""
        self._signal(signal.SIGCONT)

    def _signal(self, number: int) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)

    def _end(self, number: int) -> None:
        if self._process is None:
            return
        self._signal(number)
        self._signal(signal.SIGCONT)
        try:
            self._process.wait(WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(WITHIN_S)
        self._process = None

    def _write_config(self) -> Path:
        lines = [
            f"listener {self.port} {self.host}",
            # Started by root it would change to a user that can't read the test's folder.
            f"user {getpass.getuser()}",
            "persistence true",
            f"persistence_location {self.directory}/",
            "log_dest stderr",
            "log_type all",
            "log_timestamp false",
            *self._access_lines(),
            *self.config_lines,
        ]
        path = self.directory / "broker.conf"
        path.write_text("\n".join(lines) + "\n")
        return path

    def _access_lines(self) -> list[str]:
        lines = [f"allow_anonymous {'false' if self.passwords else 'true'}"]
        if self.passwords:
            path = self.directory / "passwords"
            path.write_text("".join(f"{user}:{word}\n" for user, word in self.passwords.items()))
            path.chmod(0o600)
            subprocess.run([find_program("mosquitto_passwd"), "-U", str(path)], check=True)
            lines.append(f"password_file {path}")
        if self.certificate:
            lines.append(f"cafile {self.certificate.ca_file}")
            lines.append(f"certfile {self.certificate.cert_file}")
            lines.append(f"keyfile {self.certificate.key_file}")
        return lines


BrokerFactory = Callable[..., Broker]
