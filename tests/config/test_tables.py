"""Each table: what it takes, what it refuses, and the sentence that says so.

The mistakes that people make most, with their remedies, are in tests/cli/test_household.py.
"""

from pathlib import Path

import pytest

from cabinetwatch.config import from_json, load
from cabinetwatch.text import ConfigError
from tests.config.support import CONDITIONS, SENSORS, problem, problems, read


def test_an_empty_file_is_a_configuration_of_defaults() -> None:
    config = read("")
    assert config.mqtt.host == "127.0.0.1"
    assert config.store.flush_s == 10.0
    assert config.notify.mqtt.enabled
    assert config.notify.email is None
    assert config.summary is None


def test_whole_numbers_are_taken_where_numbers_are_due() -> None:
    config = read(SENSORS + "[devices.nas]\ntemperature = 'nas-air'\nrated_power_w = 90\n")
    assert config.devices["nas"].rated_power_w == 90.0


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("port = 1883.5", "port = 1883.5 is no whole number"),
        ("port = 0", "port = 0 is below 1"),
        ("port = 70000", "port = 70000 is above 65535"),
        ("port = true", "port = true is no whole number"),
        ('tls = "yes"', 'tls = "yes" is neither true nor false'),
        ("commands = 1", "commands = 1 is neither true nor false"),
        ("host = 5", "host = 5 is no text in quotes"),
        ('host = ""', 'host = "" is empty'),
        ('host = "a b"', 'host = "a b" holds white space'),
        ("protocol = 5", 'protocol = 5 is not "auto", "5" or "3.1.1"'),
        ('publish_under = "a/#"', 'publish_under = "a/#" has a wildcard'),
        ('publish_under = "a/"', "begins or ends with a slash"),
        ('publish_under = "$SYS"', "begins with $"),
        ('ca_file = "none.pem"', 'ca_file = "none.pem" can\'t be read (No such file'),
        ('usrname = "x"', "usrname is an unknown key; the nearest known one is username"),
        ('password = "hunter2"', "password is an unknown key; the nearest known one is password_f"),
    ],
)
def test_a_wrong_key_of_mqtt_gets_a_sentence(line: str, words: str) -> None:
    sentence = problem(f"[mqtt]\n{line}\n")
    assert sentence.startswith("[mqtt] ")
    assert words in sentence
    assert "hunter2" not in sentence


def test_files_of_tls_need_tls_and_a_certificate_needs_its_key(tmp_path: Path) -> None:
    (tmp_path / "a.pem").touch()
    assert problem('[mqtt]\nca_file = "a.pem"', tmp_path).startswith("[mqtt] ca_file is given with")
    text = '[mqtt]\ntls = true\ncert_file = "a.pem"'
    assert problem(text, tmp_path) == "[mqtt] cert_file needs key_file beside it"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('timezone = "Europe"', "is no known time zone"),
        ('timezone = "../../etc/passwd"', "is no known time zone"),
        (
            'temperature_unit = "F"',
            'temperature_unit = "F" is not "Cel" or "degF"; give the unit in which people read',
        ),
        ("temperature_unit = 32", 'temperature_unit = 32 is not "Cel" or "degF"'),
        ('name = "a\\u001b[2J"', "holds control characters"),
        ("altitude_m = nan", "altitude_m = nan is no finite number"),
        ("design_ambient_c = inf", "design_ambient_c = inf is no finite number"),
        ("design_ambient_c = 1e400", "design_ambient_c = inf is no finite number"),
        ("learning_days = 0", "learning_days = 0 is not above 0"),
        ("lateness_s = -1", "lateness_s = -1 is below 0"),
        ("altitude_m = 2026-01-01", "altitude_m = 2026-01-01 is no number"),
        (f"altitude_m = 0x{'f' * 5000}", "altitude_m = a huge number is no"),
    ],
)
def test_a_wrong_key_of_site_gets_a_sentence(line: str, words: str) -> None:
    assert words in problem(f"[site]\n{line}\n")


@pytest.mark.parametrize(
    "url", ["postgresql://x/y", "sqlite://", "sqlite:///", "sqlite:///:memory:", "sqlite:///a?b=c"]
)
def test_a_store_that_is_no_sqlite_file_is_refused(url: str) -> None:
    assert "names no SQLite file" in problem(f'[store]\nurl = "{url}"')


def test_coarse_figures_are_kept_at_least_as_long_as_fine_ones() -> None:
    said = problem("[store]\nkeep_raw_days = 50\nkeep_minutes_days = 40\n")
    assert "keep_minutes_days is shorter than keep_raw_days (50)" in said
    said = problem("[store]\nkeep_quarters_days = 399\n")
    assert "keep_quarters_days is shorter than keep_minutes_days (400)" in said


def test_relative_paths_start_at_the_folder_of_the_file(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").touch()
    config = read(
        '[mqtt]\ntls = true\nca_file = "ca.pem"\n[store]\nurl = "sqlite:///data/watch.db"\n'
        '[page]\ndirectory = "page"\n[notify.command]\nargv = ["./siren", "./a"]\n',
        tmp_path,
    )
    assert config.mqtt.ca_file == tmp_path / "ca.pem"
    assert config.store_path() == tmp_path / "data/watch.db"
    assert config.store.url == f"sqlite:///{tmp_path}/data/watch.db"
    assert config.page is not None
    assert config.page.directory == tmp_path / "page"
    assert config.notify.command is not None
    assert config.notify.command.argv == (str(tmp_path / "siren"), "./a")


def test_the_store_lies_beside_the_file_unless_given(tmp_path: Path) -> None:
    for text in ("", "[store]\n", "[store]\nflush_s = 5\n"):
        assert read(text, tmp_path).store_path() == tmp_path / "cabinetwatch.db"


def test_absolute_paths_stay_as_they_are(tmp_path: Path) -> None:
    config = read('[store]\nurl = "sqlite:////var/lib/watch.db"\n', tmp_path)
    assert config.store_path() == Path("/var/lib/watch.db")


SENSOR = '[sensors.a]\ntopic = "a"\nquantity = "temperature"\n'


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("interval_s = 0", "interval_s = 0 is not above 0; give the usual seconds between"),
        ("silent_after = 0.5", "silent_after = 0.5 is below 1"),
        ("range = [1.0]", "range = [1.0] has too few items"),
        ("range = [1.0, 2.0, 3.0]", "range = [1.0, 2.0, 3.0] has too many items"),
        ('fault_codes = [85.0, "x"]', 'fault_codes (item 2) = "x" is no number'),
        ("fault_codes = 85.0", "fault_codes = 85.0 is no list"),
        ('pointer = "/a~2"', "is no JSON Pointer"),
        ('senml_name = "-a"', 'senml_name = "-a" is no SenML name'),
        ('pointer = "/a"\nsenml_name = "a"', "senml_name excludes pointer"),
        ("max_step_per_s = 0", "max_step_per_s = 0 is not above 0"),
        ("accuracy = -0.5", "accuracy = -0.5 is below 0"),
        ("offset = nan", "offset = nan is no finite number"),
    ],
)
def test_a_wrong_key_of_a_sensor_gets_a_sentence(lines: str, words: str) -> None:
    sentence = problem(f"{SENSOR}{lines}\n")
    assert sentence.startswith("[sensors.a] ")
    assert words in sentence


def test_a_sensor_needs_topic_and_quantity() -> None:
    missing_topic, missing_quantity = problems("[sensors.a]\n")
    assert missing_topic.startswith("[sensors.a] topic is missing; give an MQTT topic")
    assert missing_quantity.startswith("[sensors.a] quantity is missing; give ")


# MQTT 5.0, section 4.7.1: the examples of the standard, and U+0000 of section 4.7.3.
@pytest.mark.parametrize(
    "topic", ["sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "a\\u0000b", "x" * 65536]
)
def test_an_ill_formed_topic_filter_is_refused(topic: str) -> None:
    text = f'[sensors.a]\ntopic = "{topic}"\npointer = "/t"\nquantity = "temperature"\n'
    assert problem(text).startswith("[sensors.a] topic = ")


@pytest.mark.parametrize("topic", ["#", "+", "sport/tennis/#", "+/tennis/#", "sport/+/player1"])
def test_a_wildcard_needs_something_that_tells_the_values_apart(topic: str) -> None:
    text = f'[sensors.a]\ntopic = "{topic}"\nquantity = "temperature"\n'
    assert "pointer or senml_name must tell which" in problem(text)
    assert read(text + 'pointer = "/t"\n').sensors["a"].topic == topic


def test_the_unit_is_that_of_the_quantity_unless_given() -> None:
    config = read(SENSORS + '[sensors.f]\ntopic="f"\nquantity="temperature"\nunit="degF"\n')
    assert config.sensors["nas-air"].unit == "Cel"
    assert config.sensors["nas-power"].unit == "W"
    assert config.sensors["f"].unit == "degF"


def test_a_sensor_that_speaks_on_change_has_no_interval_unless_given() -> None:
    assert read(SENSOR).sensors["a"].interval_s == 10.0
    assert read(SENSOR + "on_change = true\n").sensors["a"].interval_s is None
    with_interval = read(SENSOR + "on_change = true\ninterval_s = 3600\n").sensors["a"]
    assert with_interval.interval_s == 3600.0


def test_only_a_temperature_can_be_of_a_surface() -> None:
    text = '[sensors.a]\ntopic = "a"\nquantity = "humidity"\nsurface = true\n'
    assert "surface is for temperatures only" in problem(text)


DEVICE = SENSORS + '[devices.nas]\ntemperature = "nas-air"\n'


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("derating = [[45.0, 1.0], [45.0, 0.5]]", "has 45 °C after 45 °C"),
        ("derating = [[45.0, 0.5], [60.0, 1.0]]", "more load at 60 °C than at 45 °C"),
        ("derating = [[45.0, 1.5]]", "allows 1.5 of the load at 45 °C"),
        ("derating = [[45.0, -0.1]]", "allows -0.1 of the load"),
        ("derating = [[45.0, nan]]", "is no finite number"),
        ("derating = []", "derating = [] has too few items"),
        ("derating = [[45.0]]", "derating (item 1) = [45.0] has too few items; give points"),
        ('derating_air = "room"', 'derating_air = "room" is not "device" or "ambient"'),
        ('derating_air = "ambient"', 'derating_air = "ambient" needs ambient beside it'),
        ("fan_may_stop = true", "fan_may_stop needs fan beside it"),
        ("off_below_w = 4.5", "off_below_w needs power beside it"),
        ("normal_power_w = 42.0", "normal_power_w needs normal_rise_k beside it"),
        ('power = ["nas-power", "nas-power"]', "names nas-power twice"),
    ],
)
def test_a_wrong_key_of_a_device_gets_a_sentence(lines: str, words: str) -> None:
    sentences = problems(f"{DEVICE}{lines}\n")
    assert any(words in sentence for sentence in sentences), sentences
    assert all(sentence.startswith("[devices.nas] ") for sentence in sentences)


def test_power_is_one_sensor_or_a_list() -> None:
    assert read(DEVICE).devices["nas"].power == ()
    assert read(DEVICE + 'power = "nas-power"\n').devices["nas"].power == ("nas-power",)
    assert read(DEVICE + 'power = ["nas-power"]\n').devices["nas"].power == ("nas-power",)


def test_a_curve_may_be_level_and_have_one_point() -> None:
    config = read(DEVICE + "derating = [[45, 1], [50, 1.0], [60, 0.0]]\n")
    assert config.devices["nas"].derating == ((45.0, 1.0), (50.0, 1.0), (60.0, 0.0))
    assert read(DEVICE + "derating = [[45.0, 1.0]]\n").devices["nas"].derating == ((45.0, 1.0),)


EMAIL = '[notify.email]\nhost = "mail.example"\nfrom = "w@a.example"\nto = ["o@a.example"]\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (EMAIL.replace('["o@a.example"]', "[]"), "to = [] has too few items"),
        (EMAIL.replace("o@a.example", "o@a.example\\r\\nBcc: x@b.example"), "is no mail address"),
        (EMAIL.replace("w@a.example", "nobody"), 'from = "nobody" is no mail address'),
        (EMAIL + 'priorities = ["high", "high"]\n', "names high twice"),
        ('[notify]\nquiet_hours = "22:30-24:00"\n', "is no span of two times"),
        ('[notify]\nquiet_hours = "06:00-06:00"\n', "begins and ends at the same time"),
        ("[notify]\nrepeat_s = 0\n", "repeat_s = 0 is not above 0"),
        ("[notify]\ndigest_over = 0\n", "digest_over = 0 is below 1"),
        ("[notify]\ndigest_ower = 5\n", "the nearest known one is digest_over"),
        ("[notify]\nemail = 5\n", "notify.email = 5 is no table"),
        ("notify = 5\n", "notify = 5 is no table"),
        ("[notify.command]\nargv = []\n", "argv = [] has too few items"),
        ('[notify.command]\nargv = ["a\\u0000"]\n', "has an empty program or a NUL"),
        ('[summary]\nto = ["o@a.example"]\n', "[summary] to needs a mail server"),
        ('[page]\ndirectory = "p"\nevery_s = 0\n', "every_s = 0 is not above 0"),
        ("[page]\n", "[page] directory is not given, nor is url, so nothing would be done"),
        ('[page]\nurl = "cabinet.local:8080"\n', "write one like http://cabinet.local:8080"),
        ('[page]\nurl = "ftp://cabinet.local"\n', "is no URL of a server"),
        ('[page]\nurl = "http://u:p@cabinet.local"\n', "has more than a server, a port and"),
        ('[page]\nurl = "http://cabinet.local/?x"\n', "has more than a server, a port and"),
        ('[page]\ndirectory = "p"\nactions = true\n', "actions needs url beside it"),
        ('[page]\nurl = "http://c.local/p"\nactions = true\n', "need the page at the root"),
    ],
)
def test_a_wrong_key_of_notices_and_reports_gets_a_sentence(text: str, words: str) -> None:
    assert words in problem(text)


def test_the_pin_of_the_page_is_for_actions_and_closed_to_others(tmp_path: Path) -> None:
    pin, url = tmp_path / "pin", '[page]\nurl = "http://cabinet.local:8080/"\n'
    pin.touch(mode=0o600)
    text = f'{url}pin_file = "pin"\n'
    assert "pin_file is given without actions; set actions = true" in problem(text, tmp_path)
    page = read(f"{text}actions = true\n", tmp_path).page
    assert page is not None
    assert (page.pin_file, page.url) == (pin, "http://cabinet.local:8080")
    pin.chmod(0o604)
    assert "can be read by every user" in problem(f"{text}actions = true\n", tmp_path)


KIM = '[notify.people.kim]\nmail = "kim@a.example"\n'
ROBIN = '[notify.people.robin]\nmail = "robin@a.example"\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (KIM + 'away = ["Christmas"]\n', 'away (item 1) = "Christmas" is no interval of two dates'),
        (KIM + 'away = ["2026-12-24"]\n', "is no interval of two dates"),
        (KIM + 'away = ["2026-12-24/2026-12-32"]\n', "is no interval of two dates"),
        (KIM + 'away = ["20261224/20261226"]\n', "is no interval of two dates"),
        (KIM + "away = [2026-12-24]\n", "is no text in quotes"),
        (KIM + 'away = "2026-12-24/2026-12-26"\n', "is no list"),
        (KIM + 'away = ["2027-01-03/2026-12-20"]\n', "ends before it begins"),
        (KIM + 'awaay = ["2026-12-20/2027-01-03"]\n', "the nearest known one is away"),
        (KIM + 'after = "soon"\n', 'after = "soon" is no duration; give how long'),
        (KIM + "after = 30\n", "after = 30 is no text in quotes; give how long"),
        (KIM + 'after = "8d"\n', 'after = "8d" is not above 0 and at most 7d'),
        (KIM + 'quiet_hours = "at night"\n', 'quiet_hours = "at night" is no span of two times'),
        (KIM + 'priorities = ["urgent"]\n', 'priorities (item 1) = "urgent" is not "high"'),
        (KIM + 'name = ""\n', 'name = "" is empty'),
        (
            KIM.replace("@", " at "),
            'mail = "kim at a.example" is no mail address; give the address',
        ),
        (
            KIM.replace('mail = "kim@a.example"', ""),
            "[notify.people.kim] mail is missing; give the",
        ),
        (KIM.replace("people.kim", "people.Kim"), '"Kim" is no ID; give one of a to z'),
        (KIM.replace(".kim", ""), 'mail = "kim@a.example" is no table; it is a key of [notify.pe'),
        (
            KIM + ROBIN.replace("robin@", "KIM@"),
            '[notify.people.robin] mail = "KIM@a.example" is in [notify.people.kim] too, so each',
        ),
        (KIM.replace("kim@", "o@"), 'mail = "o@a.example" is in [notify.email] to too, so each'),
    ],
)
def test_a_wrong_person_gets_one_clear_sentence(text: str, words: str) -> None:
    assert words in problem(EMAIL + text)


def test_people_need_a_mail_server_and_the_server_somebody_to_mail_to() -> None:
    assert problem(KIM) == "[notify.people] needs a mail server; add a table [notify.email]"
    assert (
        problem("[notify]\npeople = 5\n")
        == "notify.people = 5 is no table; write [notify.people.NAME]"
    )
    nobody = EMAIL.replace('to = ["o@a.example"]\n', "")
    assert problem(nobody).startswith("[notify.email] to is missing; give a list of addresses, or")
    email = read(nobody + KIM).notify.email
    assert email is not None
    assert email.addresses == ()


def test_people_come_back_out_of_the_journal_as_they_were() -> None:
    away = 'after = "30m"\naway = ["2026-12-20/2027-01-03"]\nquiet_hours = "22:30-06:30"\n'
    config = read(EMAIL.replace('to = ["o@a.example"]\n', "") + KIM + away + ROBIN)
    assert from_json(config.as_json(), CONDITIONS, "the journal").as_json() == config.as_json()
    assert from_json(config.as_json(), CONDITIONS, "the journal").notify == config.notify


def test_a_summary_goes_to_those_who_are_told_at_once_or_else_to_all() -> None:
    later = KIM + 'after = "30m"\n'
    nobody = EMAIL.replace('to = ["o@a.example"]\n', "")
    assert read(EMAIL + later + ROBIN).notify.readers == ("o@a.example", "robin@a.example")
    assert read(nobody + later).notify.readers == ("kim@a.example",)


def test_quiet_hours_may_reach_over_midnight() -> None:
    quiet = read('[notify]\nquiet_hours = "22:30-06:30"\n').notify.quiet("email")
    assert quiet is not None
    assert [moment.isoformat("minutes") for moment in quiet] == ["22:30", "06:30"]


def test_the_sender_of_mail_may_have_a_name() -> None:
    text = EMAIL.replace("w@a.example", "Under the stairs <w@a.example>")
    email = read(text).notify.email
    assert email is not None
    assert email.from_ == "Under the stairs <w@a.example>"


@pytest.mark.parametrize("line", ["design_ambient_c = 35,0", "altitude_m = -12,5  # no comma"])
def test_a_decimal_comma_is_told_as_one(line: str) -> None:
    sentence = problem(f"[site]\n{line}\n")
    assert "line 2, column" in sentence
    assert "a number has a decimal point and no comma; write " in sentence
    assert line.split()[2].replace(",", ".") in sentence


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_a_byte_order_mark_is_told_as_one(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "config.toml"
    path.write_text("[site]\n", encoding=encoding)
    with pytest.raises(ConfigError, match="save the file as UTF-8 without a BOM"):
        load(path, CONDITIONS)
