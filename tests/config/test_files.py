"""Finding the file, and the secrets."""

import os
import stat
from pathlib import Path

import pytest

from cabinetwatch.config import find_config_file, services
from cabinetwatch.config.services import find_secret
from cabinetwatch.text import ConfigError
from cabinetwatch.watch.conditions import load_config
from tests.config.support import problem, read


@pytest.fixture(autouse=True)
def bare_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("CABINETWATCH_CONFIG", "CREDENTIALS_DIRECTORY", "CABINETWATCH_MQTT_PASSWORD"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.chdir(tmp_path)


def test_the_file_asked_for_comes_before_the_environment_and_the_folder(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "config.toml").touch()
    assert find_config_file() == Path("config.toml")
    monkeypatch.setenv("CABINETWATCH_CONFIG", "/named.toml")
    assert find_config_file() == Path("/named.toml")
    assert find_config_file(Path("mine.toml")) == Path("mine.toml")


def test_without_any_file_the_places_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cabinetwatch.config.loading.SYSTEM_FILE", Path("/nowhere/config.toml"))
    with pytest.raises(ConfigError, match=r"no configuration file: .*--config FILE"):
        find_config_file()


def test_a_file_that_may_not_be_looked_at_is_named_and_not_passed_over(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuse(path: Path) -> bool:
        if path == system_file:
            raise PermissionError(13, "Permission denied")
        return False

    system_file = Path("/nowhere/config.toml")
    monkeypatch.setattr("cabinetwatch.config.loading.SYSTEM_FILE", system_file)
    monkeypatch.setattr(Path, "exists", refuse)
    assert find_config_file() == system_file


@pytest.mark.parametrize(
    "text",
    [
        '[store]\nurl = "sqlite:///~no-such-user/a.db"',
        '[mqtt]\nusername = "w"\npassword_file = "~no-such-user/p"',
    ],
)
def test_a_home_that_is_not_known_is_said_in_a_sentence(text: str) -> None:
    assert "begins with ~no-such-user, whose home is not known" in problem(text)


def secret_file(folder: Path, content: str, mode: int = 0o600) -> Path:
    path = folder / "mqtt-password"
    path.write_text(content)
    path.chmod(mode)
    return path


def test_a_secret_comes_from_its_file_then_the_credential_then_the_environment(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    file = secret_file(tmp_path, "from file\n")
    credentials = tmp_path / "credentials"
    credentials.mkdir()
    assert find_secret("mqtt-password", None) is None
    monkeypatch.setenv("CABINETWATCH_MQTT_PASSWORD", "from environment")
    assert value_of(find_secret("mqtt-password", None)) == "from environment"
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(credentials))
    assert value_of(find_secret("mqtt-password", None)) == "from environment"
    secret_file(credentials, "from systemd")
    assert value_of(find_secret("mqtt-password", None)) == "from systemd"
    assert value_of(find_secret("mqtt-password", file)) == "from file"


def test_root_finds_what_systemd_would_give_the_service(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(services, "CREDSTORE", tmp_path)
    secret_file(tmp_path, "from systemd").rename(tmp_path / "cabinetwatch.mqtt-password")
    monkeypatch.setattr(os, "geteuid", lambda: 4321)
    assert find_secret("mqtt-password", None) is None
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert value_of(find_secret("mqtt-password", None)) == "from systemd"
    assert find_secret("email-password", None) is None


def value_of(secret: object) -> str:
    assert "from" not in str(secret)
    assert "from" not in repr(secret)
    return str(secret.get_secret_value())  # type: ignore[attr-defined]


@pytest.mark.parametrize("content", ["", "\n", "two\nlines\n", "a\x00b"])
def test_a_secret_file_must_hold_one_line(tmp_path: Path, content: str) -> None:
    with pytest.raises(ConfigError, match="must be one line of text"):
        find_secret("mqtt-password", secret_file(tmp_path, content))


WITH_SECRET = '[mqtt]\nusername = "w"\npassword_file = "mqtt-password"\n'


def test_a_secret_file_that_others_can_read_is_refused(tmp_path: Path) -> None:
    secret_file(tmp_path, "hunter2", 0o644)
    sentence = problem(WITH_SECRET, tmp_path)
    assert "[mqtt] password_file" in sentence
    assert "can be read by every user of this machine" in sentence
    assert "hunter2" not in sentence


def test_a_secret_file_may_be_shared_with_a_group(tmp_path: Path) -> None:
    secret_file(tmp_path, "hunter2\n", 0o640)
    secret = read(WITH_SECRET, tmp_path).secret("mqtt-password")
    assert secret is not None
    assert secret.get_secret_value() == "hunter2"


def test_a_secret_file_that_is_missing_or_a_folder_is_refused(tmp_path: Path) -> None:
    assert "can't be read (No such file or directory)" in problem(WITH_SECRET, tmp_path)
    (tmp_path / "mqtt-password").mkdir()
    assert "can't be read (Is a directory)" in problem(WITH_SECRET, tmp_path)


def test_a_configuration_holds_no_secret(tmp_path: Path) -> None:
    secret_file(tmp_path, "hunter2\n")
    config = read(WITH_SECRET, tmp_path)
    assert "hunter2" not in repr(config)
    assert "hunter2" not in str(config.as_json())


def test_a_password_file_needs_a_user_name(tmp_path: Path) -> None:
    secret_file(tmp_path, "hunter2\n")
    sentence = problem('[mqtt]\npassword_file = "mqtt-password"\n', tmp_path)
    assert sentence == "[mqtt] password_file needs username beside it"


def only_these(monkeypatch: pytest.MonkeyPatch, home: Path) -> tuple[Path, Path]:
    """Make the user's folder and the system's file those of the test; give both files."""
    system = home / "etc" / "config.toml"
    monkeypatch.setattr("cabinetwatch.config.loading.SYSTEM_FILE", system)
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    return home / ".config" / "cabinetwatch" / "config.toml", system


def test_the_folder_comes_before_the_user_s_file_and_that_before_the_system_s(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The user's as in the XDG Base Directory Specification, which passes over a relative path."""
    users, system = only_these(monkeypatch, tmp_path)
    for file in (system, users):
        file.parent.mkdir(parents=True)
        file.touch()
        assert find_config_file() == file
    elsewhere = tmp_path / "xdg" / "cabinetwatch" / "config.toml"
    elsewhere.parent.mkdir(parents=True)
    elsewhere.touch()
    monkeypatch.setenv("XDG_CONFIG_HOME", "xdg")
    assert find_config_file() == users
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "xdg"))
    assert find_config_file() == elsewhere
    (tmp_path / "config.toml").touch()
    assert find_config_file() == Path("config.toml")


def as_root_sees_it(
    monkeypatch: pytest.MonkeyPatch, *, owner: int = 0, mode: int = 0o644, folder_mode: int = 0o755
) -> None:
    """Let the file and its folder look like this to a root that this test need not be."""
    status = os.fstat

    def seen(descriptor: int) -> os.stat_result:
        fields = list(status(descriptor))
        fields[0], fields[4], fields[5] = stat.S_IFREG | mode, owner, 0
        return os.stat_result(fields)

    def around(path: Path, **_: bool) -> os.stat_result:
        fields = list(os.lstat(path))
        fields[0], fields[4], fields[5] = stat.S_IFDIR | folder_mode, 0, 0
        return os.stat_result(fields)

    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(os, "fstat", seen)
    monkeypatch.setattr(Path, "stat", around)


@pytest.mark.parametrize(
    ("looks", "sentence"),
    [
        ({"owner": 4321}, "belongs to user 4321, and root takes only"),
        ({"mode": 0o646}, "can be written by others"),
        ({"folder_mode": 0o777}, "where others than root can write"),
        ({"folder_mode": 0o1777}, "where others than root can write"),
        ({"mode": 0o664, "folder_mode": 0o775}, None),
    ],
)
def test_root_takes_only_a_file_that_root_alone_can_have_written(
    looks: dict[str, int], sentence: str | None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    path = tmp_path / "config.toml"
    path.touch()
    as_root_sees_it(monkeypatch, **looks)
    if sentence is None:
        load_config(path)
        return
    with pytest.raises(ConfigError, match=sentence):
        load_config(path)


def test_a_link_to_where_others_can_write_is_seen_through(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    state = tmp_path / "state"
    state.mkdir()
    (state / "mine.toml").touch()
    (tmp_path / "config.toml").symlink_to(state / "mine.toml")
    as_root_sees_it(monkeypatch, folder_mode=0o777)
    with pytest.raises(ConfigError, match=f"lies in {state}, where others"):
        load_config(tmp_path / "config.toml")


@pytest.mark.parametrize(
    ("kind", "sentence"),
    [
        ("fifo", "is no plain file but a device or a pipe"),
        ("device", "is no plain file but a device or a pipe"),
        ("folder", "Is a directory"),
        ("huge", "is it the right file?"),
    ],
)
def test_what_is_no_file_or_has_no_end_is_a_sentence_and_no_wait(
    kind: str, sentence: str, tmp_path: Path
) -> None:
    path = tmp_path / "odd"
    if kind == "fifo":
        os.mkfifo(path, 0o600)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    else:
        path.touch(0o600)
        os.truncate(path, 1 << 40)
    with pytest.raises(ConfigError) as refused:
        load_config(path)
    assert sentence in str(refused.value)
    with pytest.raises(ConfigError) as refused:
        find_secret("mqtt-password", path)
    assert sentence in str(refused.value)
    assert sentence in problem(f'[mqtt]\nusername = "w"\npassword_file = "{path}"\n')


def test_a_secret_file_that_others_can_change_is_refused(tmp_path: Path) -> None:
    secret_file(tmp_path, "hunter2", 0o602)
    assert "can be changed by every user of this machine" in problem(WITH_SECRET, tmp_path)
