"""The configuration: validated as a whole before anything opens. Knows nothing of the rest."""

from cabinetwatch.config.loading import (
    find_config_file,
    from_json,
    load,
    load_for_mail,
    parse,
    require_mail,
)
from cabinetwatch.config.model import (
    SITE_SUBJECT,
    AlarmSettings,
    ConditionSpec,
    Config,
    Device,
    Sensor,
)

__all__ = [
    "SITE_SUBJECT",
    "AlarmSettings",
    "ConditionSpec",
    "Config",
    "Device",
    "Sensor",
    "find_config_file",
    "from_json",
    "load",
    "load_for_mail",
    "parse",
    "require_mail",
]
