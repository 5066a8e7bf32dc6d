"""Passwords: from a file, from a systemd credential, or from the environment; never printed."""

import os
from pathlib import Path

from pydantic import SecretStr

from cabinetwatch.errors import ConfigError


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
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is no UTF-8 text"
        raise ConfigError([f"{file}: the {name} can't be read from it ({reason})"]) from None
    secret = text.removesuffix("\n").removesuffix("\r")
    if not secret or not secret.isprintable():
        raise ConfigError([f"{file}: the {name} must be one line of text, and this file has none"])
    return SecretStr(secret)
