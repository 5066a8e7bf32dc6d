"""The demonstration's configuration, for tests that need neither its broker nor its mail server."""

from cabinetwatch.demo.story import configuration_text

CONFIGURATION = configuration_text(
    time_zone="Europe/Dublin",
    broker_host="127.0.0.1",
    broker_port=1883,
    mail_host="127.0.0.1",
    mail_port=25,
)
