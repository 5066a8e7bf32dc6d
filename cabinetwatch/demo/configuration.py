"""The configuration of the demonstration, as text: an example of a whole cabinet."""

MARK = "# Written by `cabinetwatch demo`. "
"""How the file begins; tells a demonstration's folder from anybody else's."""

PREFIX = "cabinetwatch"
STORE_FILE = "cabinetwatch.db"

_TEMPLATE = """\
{mark}Simulated data: no sensor, house or person is real.
# The broker and the mail server it names lived inside the demonstration and are gone.

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
interval_s = 10

[sensors.cabinet-air]
topic = "house/cabinet/air"
quantity = "temperature"
unit = "Cel"
interval_s = 10

[sensors.nas-air]
topic = "house/cabinet/nas"
pointer = "/temperature"
quantity = "temperature"
unit = "Cel"
interval_s = 10

[sensors.nas-fan]
topic = "house/cabinet/nas"
pointer = "/fan/rpm"
quantity = "fan-speed"
unit = "1/min"
interval_s = 10

[sensors.nas-power]
topic = "house/cabinet/nas"
pointer = "/plug/power"
quantity = "power"
unit = "W"
interval_s = 10

[sensors.switch-air]
topic = "house/cabinet/switch/temperature"
quantity = "temperature"
unit = "Cel"
interval_s = 10

[sensors.switch-power]
topic = "house/cabinet/switch/power"
quantity = "power"
unit = "W"
interval_s = 10

[sensors.ups-air]
topic = "house/cabinet/ups"
senml_name = "ups/temperature"
quantity = "temperature"
unit = "Cel"
interval_s = 10
high = 40.0    # lead batteries age fast above that

[sensors.ups-power]
topic = "house/cabinet/ups"
senml_name = "ups/power"
quantity = "power"
unit = "W"
interval_s = 10

[sensors.amplifier-air]
topic = "house/cabinet/amplifier"
pointer = "/temperature"
quantity = "temperature"
unit = "Cel"
interval_s = 10

[sensors.amplifier-power]
topic = "house/cabinet/amplifier"
pointer = "/power"
quantity = "power"
unit = "W"
interval_s = 10

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

# --- who is told ---

[notify.email]
host = "{mail_host}"
port = {mail_port}
security = "none"    # a mail server on this very machine; anywhere else use starttls or tls
from = "cabinetwatch@house.example"
to = ["household@house.example"]
priorities = ["high", "medium"]
"""


def configuration_text(
    *, time_zone: str, broker_host: str, broker_port: int, mail_host: str, mail_port: int
) -> str:
    """Give the demonstration's config.toml for a broker and a mail server that listen already."""
    return _TEMPLATE.format(
        mark=MARK,
        prefix=PREFIX,
        store_file=STORE_FILE,
        time_zone=time_zone,
        broker_host=broker_host,
        broker_port=broker_port,
        mail_host=mail_host,
        mail_port=mail_port,
    )
