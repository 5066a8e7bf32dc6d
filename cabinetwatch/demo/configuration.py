"""The configuration of the demonstration, as text: an example of a whole cabinet."""

MARK = "# Written by `cabinetwatch demo`. "
"""How the file begins; tells a demonstration's folder from anybody else's."""

PREFIX = "cabinetwatch"
STORE_FILE = "cabinetwatch.db"

_TEMPLATE = """\
{mark}Simulated data: no sensor, house or person is real.
{remark}

[site]
name = "Under the stairs (simulated)"
timezone = "{time_zone}"
altitude_m = 40
design_ambient_c = 32.0

[mqtt]
host = "{broker_host}"
port = {broker_port}
protocol = "3.1.1"    # all that the demonstration's broker speaks; leave it out for a real one
username = "watch"
publish_under = "{prefix}"

[store]
url = "sqlite:///{store_file}"

# --- sensors: one quantity each, read from one topic ---

[sensors.hall-air]
topic = "house/hall"
pointer = "/temperature"
quantity = "temperature"
unit = "Cel"
interval_s = {interval_s}

[sensors.cabinet-air]
topic = "house/cabinet/air"
quantity = "temperature"
unit = "Cel"
interval_s = {interval_s}

[sensors.nas-air]
topic = "house/cabinet/nas"
pointer = "/temperature"
quantity = "temperature"
unit = "Cel"
interval_s = {interval_s}

[sensors.nas-fan]
topic = "house/cabinet/nas"
pointer = "/fan/rpm"
quantity = "fan-speed"
unit = "1/min"
interval_s = {interval_s}

[sensors.nas-power]
topic = "house/cabinet/nas"
pointer = "/plug/power"
quantity = "power"
unit = "W"
interval_s = {interval_s}

[sensors.switch-air]
topic = "house/cabinet/switch/temperature"
quantity = "temperature"
unit = "Cel"
interval_s = {interval_s}

[sensors.switch-power]
topic = "house/cabinet/switch/power"
quantity = "power"
unit = "W"
interval_s = {interval_s}

[sensors.ups-air]
topic = "house/cabinet/ups"
senml_name = "ups/temperature"
quantity = "temperature"
unit = "Cel"
interval_s = {interval_s}
high = 40.0    # lead batteries age fast above that

[sensors.ups-power]
topic = "house/cabinet/ups"
senml_name = "ups/power"
quantity = "power"
unit = "W"
interval_s = {interval_s}

[sensors.amplifier-air]
topic = "house/cabinet/amplifier"
pointer = "/temperature"
quantity = "temperature"
unit = "Cel"
interval_s = {interval_s}

[sensors.amplifier-power]
topic = "house/cabinet/amplifier"
pointer = "/power"
quantity = "power"
unit = "W"
interval_s = {interval_s}

# --- devices: what is to be kept cool ---

[devices.cabinet]
name = "Cabinet"
temperature = "cabinet-air"
ambient = "hall-air"
power = ["nas-power", "switch-power", "ups-power", "amplifier-power"]
max_rise_k = 12.0

[devices.nas]
name = "NAS"
temperature = "nas-air"
ambient = "cabinet-air"
power = "nas-power"
fan = "nas-fan"
rated_power_w = 80.0
derating = [[40.0, 1.0], [48.0, 0.5], [60.0, 0.2]]
max_rise_k = 30.0
min_fan_rpm = 900

[devices.switch]
name = "PoE switch"
temperature = "switch-air"
ambient = "cabinet-air"
power = "switch-power"
rated_power_w = 60.0
derating = [[45.0, 1.0], [60.0, 0.5]]
max_rise_k = 25.0

[devices.ups]
name = "UPS"
temperature = "ups-air"
ambient = "cabinet-air"
power = "ups-power"
max_rise_k = 15.0

[devices.amplifier]
name = "AV amplifier"
temperature = "amplifier-air"
ambient = "cabinet-air"
power = "amplifier-power"
rated_power_w = 200.0
derating = [[45.0, 1.0], [65.0, 0.5]]
max_rise_k = 25.0
"""

_TOLD = """\

# --- who is told ---

[notify.email]
host = "{mail_host}"
port = {mail_port}
security = "none"    # a mail server on this very machine; anywhere else use starttls or tls
from = "cabinetwatch@house.example"
to = ["household@house.example"]
priorities = ["high", "medium"]
"""


_UNTOLD = """
# --- who is told: nobody, of a simulation ---

[notify.mqtt]
enabled = false
"""

_GONE = "# The broker and the mail server it names lived inside the demonstration and are gone."
_NO_BROKER = "# A simulation was fed straight to the watch: the broker it names was never asked."


def configuration_text(
    *, time_zone: str, broker_host: str, broker_port: int, mail_host: str, mail_port: int
) -> str:
    """Give the demonstration's config.toml for a broker and a mail server that listen already."""
    cabinet = _cabinet(_GONE, time_zone, broker_host, broker_port, 10)
    return cabinet + _TOLD.format(mail_host=mail_host, mail_port=mail_port)


def fortnight_configuration_text(*, time_zone: str, interval_s: int) -> str:
    """Give the config.toml of the simulated fortnight: the same cabinet, and nobody to mail to."""
    return _cabinet(_NO_BROKER, time_zone, "127.0.0.1", 1883, interval_s) + _UNTOLD


def _cabinet(remark: str, time_zone: str, host: str, port: int, interval_s: int) -> str:
    return _TEMPLATE.format(
        mark=MARK,
        remark=remark,
        prefix=PREFIX,
        store_file=STORE_FILE,
        time_zone=time_zone,
        broker_host=host,
        broker_port=port,
        interval_s=interval_s,
    )
