"""The configuration: validated as a whole before anything opens. Knows nothing of the rest."""

from cabinetwatch.config.alarms import AlarmSettings, ConditionSpec
from cabinetwatch.config.devices import Device
from cabinetwatch.config.loading import (
    find_config_file,
    from_json,
    load,
    load_for_mail,
    parse,
    require_mail,
)
from cabinetwatch.config.model import SITE_SUBJECT, Config
from cabinetwatch.config.sensors import Sensor

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
