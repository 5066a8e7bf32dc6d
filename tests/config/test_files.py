"""Finding the file, and the secrets."""

from pathlib import Path

import pytest

from cabinetwatch.config import find_config_file
from cabinetwatch.config.secrets import find_secret
from cabinetwatch.errors import ConfigError
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
        if path.is_absolute():
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
