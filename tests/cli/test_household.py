"""Mistakes that a household makes, each with the remedy that its sentence must name.

Those that take a broker or a mail server are in test_check.py, tests/mqtt and tests/notify.
"""

from pathlib import Path

import pytest

from cabinetwatch.cli.check import warnings
from cabinetwatch.cli.main import main
from cabinetwatch.text import ConfigError
from cabinetwatch.watch.conditions import load_config
from tests.support.empty_store import put_empty_store
from tests.support.house import House, build

NAS = '[sensors.nas-air]\ntopic = "under-stairs/nas/air"\nquantity = "temperature"\n'
HALL = '[sensors.hall]\ntopic = "hall/air"\nquantity = "temperature"\n'
DEVICE = '[devices.nas]\ntemperature = "nas-air"\nambient = "hall"\nmax_rise_k = 25.0\n'
RIGHT = NAS + HALL + DEVICE
MAIL = '[notify.email]\nhost = "mail.example"\nfrom = "watch@home.example"\n'


def nas(line: str) -> str:
    """The configuration with a line more for the sensor of the NAS."""
    return f"{NAS}{line}\n{HALL}{DEVICE}"


def hall(wrong: str, *, right: str = '"hall/air"') -> str:
    """The configuration with something else in the table of the hall."""
    assert right in HALL
    return NAS + HALL.replace(right, wrong) + DEVICE


CONFIGURATIONS = {
    "wildcard alone": (hall('"hall/+"'), "pointer or senml_name must tell"),
    "wildcard in a level": (hall('"hall/ai+"'), "+ and # stand alone as levels"),
    "# amid a topic": (hall('"hall/#/air"'), "+ and # stand alone as levels"),
    "no topic": (hall('""'), "give an MQTT topic, such as"),
    "pointer without slash": (nas('pointer = "temperature"'), 'such as "/temperature"'),
    "decimal comma": (nas("high = 40,5"), "write 40.5"),
    "number in quotes": (nas('high = "40.5"'), "write 40.5 without quotes"),
    "comma and quotes": (nas('high = "40,5"'), "write 40.5 without quotes"),
    "number with its unit": (nas('high = "40 °C"'), "write the number alone"),
    "duration": (nas('interval_s = "2m"'), "write the number alone"),
    "port in quotes": ('[mqtt]\nport = "1883"\n', "write 1883 without quotes"),
    "unit of daily life": (nas('unit = "°C"'), "give Cel or K or degF"),
    "unit of something else": (nas('unit = "W"'), "give Cel or K or degF"),
    "quantity shortened": (hall('"temp"', right='"temperature"'), '"temperature", "humidity"'),
    "quantity left out": (hall("", right='quantity = "temperature"'), "quantity is missing"),
    "key with a typo": (nas("intervall_s = 3"), "the nearest known one is interval_s"),
    "table with a typo": (RIGHT.replace("[sensors.hall]", "[sensor.hall]"), "one is sensors"),
    "table of the broker": ("[mqqt]\n", "the nearest known one is mqtt"),
    "list of tables": ("[[sensors]]\n", "write [sensors.NAME]"),
    "capitals in an ID": (
        HALL.replace("sensors.hall", "sensors.Hall"),
        "give one of a to z, 0 to 9 and -",
    ),
    "underscore in an ID": (
        HALL.replace("sensors.hall", "sensors.hall_air"),
        "give one of a to z, 0 to 9 and -",
    ),
    "ID twice": (RIGHT + HALL, "give a second sensor an ID of its own"),
    "key twice": (nas('topic = "b"'), "leave one out"),
    "ID of sensor and device": (
        RIGHT.replace("[devices.nas]", "[devices.hall]"),
        "give one of them another",
    ),
    "reserved ID": (RIGHT.replace("[devices.nas]", "[devices.site]"), "give another"),
    "unknown sensor": (RIGHT.replace('= "hall"', '= "hal"'), "the nearest known one is hall"),
    "sensor twice": (RIGHT.replace('= "hall"', '= "nas-air"'), "that of the air around it"),
    "no ambient": (RIGHT.replace('ambient = "hall"\n', ""), "needs ambient beside it"),
    "wrong kind of sensor": (f'{RIGHT}power = "hall"\n', "give one of power"),
    "minimum without fan": (f"{RIGHT}min_fan_rpm = 900\n", "needs fan beside it"),
    "negative interval": (nas("interval_s = -10"), "above 0"),
    "yes in quotes": (nas('on_change = "yes"'), "write true without quotes"),
    "yes": (nas("on_change = yes"), "write true"),
    "False": (nas("on_change = False  # or so"), "write false"),
    "limits exchanged": (nas("low = 40.0\nhigh = 10.0"), "exchange or correct them"),
    "range exchanged": (nas("range = [80, -40]"), "give the lower end first"),
    "derating in per cent": (f"{RIGHT}derating = [[45.0, 100]]\n", "fractions 0 to 1"),
    "derating backwards": (
        f"{RIGHT}derating = [[60.0, 1.0], [45.0, 0.5]]\n",
        "temperatures rising",
    ),
    "derating flat": (f"{RIGHT}derating = [45.0, 1.0]\n", "such as [[45.0, 1.0], [60.0, 0.5]]"),
    "negative power": (f"{RIGHT}rated_power_w = -90\n", "above 0"),
    "host with scheme": ('[mqtt]\nhost = "mqtt://broker"\n', "give the name or address"),
    "host with port": ('[mqtt]\nhost = "broker:1883"\n', "which the key port is for"),
    "password in the file": ('[mqtt]\npassword = "x"\n', "one is password_file"),
    "table of mail without notify": (
        "[email]\n",
        "email is an unknown table; write [notify.email]",
    ),
    "condition without alarms": ("[over-rise]\n", "write [alarms.over-rise]"),
    "sensor without sensors": (
        '[nas-air]\ntopic = "a"\nquantity = "temperature"\n',
        "write [sensors.nas-air]",
    ),
    "device without devices": ('[nas]\ntemperature = "a"\n', "write [devices.nas]"),
    "key before all tables": ('host = "broker"\n', "it is a key of [mqtt] or [notify.email]"),
    "key of a device": (nas("max_rise_k = 9"), "it is a key of [devices.ID]"),
    "key of a sensor": (f"{RIGHT}high = 40\n", "it is a key of [sensors.ID]"),
    "key of a device with a typo": (nas("deratng = 3"), "is derating, of [devices.ID]"),
    "key of another condition": (
        "[alarms.high]\nhorizon_s = 60\n",
        "it is a key of [alarms.derating-forecast]",
    ),
    "key for all alarms": ("[alarms]\non_delay_s = 60\n", "it is a key of [alarms.CONDITION]"),
    "key for all sensors": ('[sensors]\ntopic = "a"\n', "it is a key of [sensors.ID]"),
    "word of their own": (nas("treshold = 40"), "offset, accuracy, surface, alarms"),
    "sensor of their own": (RIGHT.replace('= "hall"', '= "x"'), "known are nas-air, hall"),
    "channel of their own": ("[notify.smtp]\n", "known are quiet_hours, repeat_s"),
    "condition of their own": ("[alarms.toohot]\n", "known are over-derating, fan-slow"),
    "password file gone": (
        '[mqtt]\nusername = "watch"\npassword_file = "nowhere"\n',
        "give a file that holds the password",
    ),
    "protocol": ('[mqtt]\nprotocol = "3"\n', '"auto", "5" or "3.1.1"'),
    "time zone": ('[site]\ntimezone = "Dublin"\n', "the nearest is Europe/Dublin"),
    "degrees Fahrenheit": ("[site]\ndesign_ambient_c = 95\n", "in °C, -50 to 70"),
    "quiet hours": ('[notify]\nquiet_hours = "22-6"\n', 'such as "22:30-06:30"'),
    "day of another language": ('[summary]\nday = "Montag"\n', '"monday"'),
    "time of day": ('[summary]\ntime = "7 Uhr"\n', 'such as "07:00"'),
    "security of mail": (f'{MAIL}to = ["a@b.example"]\nsecurity = "ssl"\n', '"starttls", "tls"'),
    "one address": (f'{MAIL}to = "a@b.example"\n', "give a list of addresses"),
    "no address": (f'{MAIL}to = ["owner"]\n', "give a list of addresses, such as"),
    "priority": (
        f'{MAIL}to = ["a@b.example"]\npriorities = ["urgent"]\n',
        'out of "high", "medium" and "low"',
    ),
    "program as one text": ('[notify.command]\nargv = "siren on"\n', "such as ["),
    "path of the store": ('[store]\nurl = "cabinet.db"\n', 'such as "sqlite:///cabinetwatch.db"'),
    "condition with a typo": ("[alarms.overderating]\n", "one is over-derating"),
    "delay with a typo": ("[alarms.silent]\non_delay = 60\n", "one is on_delay_s"),
    "negative delay": ("[alarms.silent]\non_delay_s = -60\n", "the seconds, 0 or more"),
    "quote left open": (hall('"hall/air'), "between two straight quotes"),
    "no quotes": (hall("hall/air"), "between two straight quotes"),
    "quotes of a word processor": (hall("“hall/air”"), "between two straight quotes"),
    "colon": (NAS.replace(" =", ":"), "write a key, =, and its value"),
    "bracket left open": ("[sensors.hall\n", "end the name of the table with ]"),
    "zero before a number": (nas("high = 040"), "without a zero before it"),
    "one topic twice": (hall('"under-stairs/nas/air"'), "change one or leave one of the two"),
    "date for a number": (nas("high = 2026-01-01"), "give the limit above which"),
}


@pytest.mark.parametrize("mistake", CONFIGURATIONS)
def test_a_mistake_in_the_configuration_is_told_with_its_remedy(
    tmp_path: Path, mistake: str
) -> None:
    text, remedy = CONFIGURATIONS[mistake]
    path = tmp_path / "config.toml"
    path.write_text(text)
    with pytest.raises(ConfigError) as refused:
        load_config(path)
    sentence = str(refused.value).splitlines()[0]
    assert sentence.startswith(str(path))
    assert remedy in sentence


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    """A store with alarms, whose watch is long gone. No test changes it."""
    return build(tmp_path_factory.mktemp("house"), 1_780_000_000_000, devices=1, days=0)


USES = {
    "alarm": (["ack", "abc"], "; active: "),
    "no time to shelve": (["shelve", "abc", "--for", "2", "--reason", "r"], "such as 2h"),
    "negative time": (["shelve", "abc", "--for", "-2h", "--reason", "r"], "such as 2h"),
    "subject": (["service", "nass", "out"], "there are gear-0"),
    "word for out": (["service", "gear-0", "off"], "out, in"),
    "device": (["learn", "nass"], "there are gear-0"),
    "day of the past": (["learn", "gear-0", "--from", "yesterday"], "write it like 2026-"),
    "date of a letter": (["note", "cleaned", "--at", "1.12.2026"], "write it like 2026-"),
    "sensor": (["export", "--sensor", "nope"], "known are air-0, hall"),
    "times exchanged": (
        ["export", "--from", "2026-02-01T00:00:00Z", "--to", "2026-01-01T00:00:00Z"],
        "give the earlier time first",
    ),
    "note of tomorrow": (
        ["note", "cleaned", "--at", "2099-01-01T00:00:00Z"],
        "at which it was done",
    ),
    "file to import": (["import", "/nowhere.csv"], "name a file that is there"),
    "folder of a backup": (["backup", "/nowhere/copy.db"], "name a file in a folder that is there"),
    "backup": (["restore", "/nowhere.db"], "name a file that `backup` wrote"),
    "week": (["summary", "--week", "2026-47"], "write it like 2026-W47"),
    "mail of a summary": (["summary", "--send"], "add that table"),
    "address of the page": (["page", "--serve", "8080"], "write it like 127.0.0.1:8080"),
    "trial": (["trial", "phase", "cards", "before"], "those there are: none"),
    "phase": (["trial", "phase", "cards", "befor"], "before, change"),
    "recording": (["replay", "/nowhere.jsonl"], "name one that `record` wrote"),
    "setting": (["replay", "--set", "x"], "write it as KEY=VALUE"),
    "filter": (["listen", "a/#/b"], "does not stand alone after the last slash"),
    "time to listen": (["check", "--listen", "30"], "such as 2h"),
    "option": (["status", "--jsno"], "--help shows what it takes"),
}


@pytest.mark.parametrize("mistake", USES)
def test_a_mistake_in_use_is_told_with_its_remedy(
    house: House, mistake: str, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments, remedy = USES[mistake]
    assert main([*arguments, "--config", str(house.path)]) == 2
    # Up to Python 3.12 argparse puts each choice in quotes.
    told = capsys.readouterr().err
    assert remedy in told or remedy in told.replace("'", "")


def test_two_devices_by_one_temperature_are_warned_of(tmp_path: Path) -> None:
    path = tmp_path / "config.toml"
    path.write_text(RIGHT + DEVICE.replace("devices.nas", "devices.ups"))
    (warning,) = (each for each in warnings(load_config(path)) if "[devices.ups]" in each)
    assert warning.startswith(
        "[devices.nas] and [devices.ups] have one temperature sensor, nas-air"
    )
    assert "give each a sensor of its own" in warning
    path.write_text(RIGHT)
    assert not [each for each in warnings(load_config(path)) if "one temperature" in each]


@pytest.mark.parametrize(
    ("sensor", "remedy"),
    [
        ("nas-ar", "the nearest one it has is nas-air"),
        ("warm", "[sensors.nas-air] was renamed from it: write nas-air"),
        ("outside", "known are nas-air, hall"),
    ],
)
def test_an_unknown_sensor_in_an_import_is_told_with_those_there_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], sensor: str, remedy: str
) -> None:
    path, file = tmp_path / "config.toml", tmp_path / "readings.csv"
    path.write_text(nas('renamed_from = "warm"'))
    put_empty_store(tmp_path / "cabinetwatch.db")
    file.write_text(f"time,sensor,value\n2026-07-01T12:00:00Z,{sensor},30.5\n")
    assert main(["import", str(file), "--config", str(path)]) == 2
    assert remedy in capsys.readouterr().err


def test_a_configuration_that_is_not_there_is_told_with_its_remedy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["status", "--config", str(tmp_path / "none.toml")]) == 2
    assert "name the file that is meant with --config" in capsys.readouterr().err
