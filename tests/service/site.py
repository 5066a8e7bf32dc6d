"""The watched cabinet of these tests, as a configuration file."""

from dataclasses import dataclass
from pathlib import Path

from cabinetwatch.config.model import Config
from cabinetwatch.store.store import Store
from cabinetwatch.watch.conditions import load_config

NAS = "cabinet/nas/temperature"
HALL = "house/hall/temperature"
OWNER = "owner@under-stairs.example"

_SITE = """
[site]
name = "under-stairs cabinet"

[mqtt]
host = "127.0.0.1"
port = {mqtt_port}
commands = {commands}

[store]
url = "sqlite:///watch.db"
flush_s = {flush_s}
"""

_MAIL = """
[notify.email]
host = "127.0.0.1"
port = {mail_port}
security = "none"
from = "watch@under-stairs.example"
to = ["owner@under-stairs.example"]
priorities = ["high", "medium", "low"]
"""

# A busy machine may need more than the usual minute between two readings of a test.
CABINET = """
[sensors.hall]
topic = "house/hall/temperature"
quantity = "temperature"
silent_after = 100

[sensors.nas-air]
topic = "cabinet/nas/temperature"
quantity = "temperature"
silent_after = 100

[devices.nas]
name = "NAS"
temperature = "nas-air"
ambient = "hall"
derating = [[50.0, 1.0], [70.0, 0.5]]

[alarms.over-derating]
on_delay_s = 0
off_delay_s = 0
"""


@dataclass
class Site:
    """A folder with a configuration, and the store that a watch makes there."""

    folder: Path
    mqtt_port: int
    mail_port: int | None = None
    tables: str = CABINET
    notify: str = ""
    flush_s: float = 0.3
    commands: bool = False

    @property
    def path(self) -> Path:
        """The configuration file."""
        return self.folder / "config.toml"

    def write(self) -> Path:
        """Write the configuration file as the fields say now, whole: a watch may be starting."""
        self.folder.mkdir(parents=True, exist_ok=True)
        text = _SITE.format(
            mqtt_port=self.mqtt_port, flush_s=self.flush_s, commands=str(self.commands).lower()
        )
        if self.notify:
            text += f"\n[notify]\n{self.notify}\n"
        if self.mail_port is not None:
            text += _MAIL.format(mail_port=self.mail_port)
        text += self.tables
        if not self.path.exists() or self.path.read_text() != text:
            new = self.path.with_name("config.new")
            new.write_text(text)
            new.replace(self.path)
        return self.path

    def config(self) -> Config:
        """Write the file and load it."""
        return load_config(self.write())

    @property
    def url(self) -> str:
        """The store's URL."""
        return f"sqlite:///{self.folder / 'watch.db'}"

    def store(self) -> Store:
        """Open the store for reading, beside a watch that may be running."""
        return Store.open(self.url, read_only=True)
