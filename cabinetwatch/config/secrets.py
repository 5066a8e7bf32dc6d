"""Passwords: from a file, from a systemd credential, or from the environment; never printed."""

import os
from pathlib import Path

from pydantic import SecretStr

from cabinetwatch.config.files import read_plain_file
from cabinetwatch.errors import ConfigError

_LARGEST = 64 * 1024


def find_secret(name: str, file: Path | None) -> SecretStr | None:
    """Look for a secret in the three places, in this order.

    Args:
        name: e.g. mqtt-password: the name of the systemd credential, and, in capitals after
            CABINETWATCH_, of the environment variable.
        file: the file that the configuration names, if it names one.

    Returns:
        The secret without the line end after it, or None when no place has it.

    Raises:
        ConfigError: a place has it and it can't be read, or it is empty.
    """
    if file is not None:
        return _from_file(name, file)
    credentials = os.environ.get("CREDENTIALS_DIRECTORY")
    if credentials and (credential := Path(credentials) / name).exists():
        return _from_file(name, credential)
    variable = "CABINETWATCH_" + name.upper().replace("-", "_")
    value = os.environ.get(variable)
    return SecretStr(value) if value else None


def _from_file(name: str, file: Path) -> SecretStr:
    try:
        text = read_plain_file(file, _LARGEST).decode("utf-8")
    except UnicodeDecodeError:
        raise ConfigError([f"{file}: the {name} in it is no UTF-8 text"]) from None
    except ValueError as error:
        raise ConfigError([f"{file}: the file of the {name} {error}"]) from None
    secret = text.removesuffix("\n").removesuffix("\r")
    if not secret or not secret.isprintable():
        raise ConfigError([f"{file}: the {name} must be one line of text, and this file has none"])
    return SecretStr(secret)
