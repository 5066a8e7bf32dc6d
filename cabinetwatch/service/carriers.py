"""The channels that a configuration asks for, ready to carry."""

from collections.abc import Callable

from cabinetwatch.config.model import Config
from cabinetwatch.intake.session import MqttSession
from cabinetwatch.notify.attempt import Carrier
from cabinetwatch.notify.channels.command import CommandChannel
from cabinetwatch.notify.channels.email import EmailChannel
from cabinetwatch.notify.channels.mqtt import MqttChannel
from cabinetwatch.store.notice import Channel, Notice


def carriers(
    config: Config, session: MqttSession, compose: Callable[[Notice], bytes] | None = None
) -> dict[Channel, Carrier]:
    """Make the channels that are switched on.

    Args:
        config: in force.
        session: with the broker.
        compose: gives the mail of a notice that tells of a week.

    Raises:
        ConfigError: a password is set and can't be read.
    """
    notify = config.notify
    made: dict[Channel, Carrier] = {}
    if notify.email is not None:
        made["email"] = EmailChannel(
            config, notify.email, config.secret("email-password"), compose=compose
        )
    if notify.mqtt.enabled:
        made["mqtt"] = MqttChannel(
            session.publish, lambda: session.connected, config.mqtt.publish_under
        )
    if notify.command is not None:
        made["command"] = CommandChannel(notify.command)
    return made
