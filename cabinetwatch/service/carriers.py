"""The channels that a configuration asks for, ready to carry."""

from cabinetwatch.config.model import Config
from cabinetwatch.intake.session import MqttSession
from cabinetwatch.notify.attempt import Carrier
from cabinetwatch.notify.channels.command import CommandChannel
from cabinetwatch.notify.channels.email import EmailChannel
from cabinetwatch.notify.channels.mqtt import MqttChannel
from cabinetwatch.store.notice import Channel


def carriers(config: Config, session: MqttSession) -> dict[Channel, Carrier]:
    """Make the channels that are switched on.

    Raises:
        ConfigError: a password is set and can't be read.
    """
    notify = config.notify
    made: dict[Channel, Carrier] = {}
    if notify.email is not None:
        made["email"] = EmailChannel(config, notify.email, config.secret("email-password"))
    if notify.mqtt.enabled:
        made["mqtt"] = MqttChannel(
            session.publish, lambda: session.connected, config.mqtt.publish_under
        )
    if notify.command is not None:
        made["command"] = CommandChannel(notify.command)
    return made
