"""`check` against a real broker, a real mail server and a real file."""

import json
import socket
import stat
from pathlib import Path

import pytest
from paho.mqtt import publish

from cabinetwatch.cli.check import Ear
from cabinetwatch.cli.main import main
from cabinetwatch.mqtt.link import Incoming
from cabinetwatch.text import plain
from cabinetwatch.watch.conditions import load_config
from tests.support.broker import Broker, BrokerFactory
from tests.support.certificates import Certificate
from tests.support.empty_store import put_empty_store
from tests.support.mail import MailDrop, MailDropFactory
from tests.support.proxy import SlowLine

SENSORS = """
[sensors.nas-air]
topic = "under-stairs/nas/air"
quantity = "temperature"
[sensors.hall-air]
topic = "hall/+/air"
pointer = "/t"
quantity = "temperature"
[devices.nas]
temperature = "nas-air"
ambient = "hall-air"
max_rise_k = 25.0
"""


class Checker:
    """Writes a configuration and runs the command on it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self._capsys = capsys
        self.status = -1

    def secret(self, name: str, password: str) -> None:
        path = self.folder / name
        path.write_text(password + "\n")
        path.chmod(0o600)

    def run(self, text: str, *options: str) -> str:
        """Give what the command printed; nothing may go to standard error."""
        path = self.folder / "config.toml"
        path.write_text(text)
        self.status = main(["check", "--config", str(path), *options])
        shown = self._capsys.readouterr()
        assert shown.err == ""
        return shown.out


@pytest.fixture
def checker(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Checker:
    folder = tmp_path / "etc"
    folder.mkdir()
    return Checker(folder, capsys)


def mqtt(broker: Broker, *lines: str) -> str:
    return "\n".join([f"[mqtt]\nport = {broker.port}", *lines, ""])


def email(server: MailDrop, *lines: str, security: str = "none") -> str:
    return "\n".join(
        [
            f'[notify.email]\nhost = "127.0.0.1"\nport = {server.port}\nsecurity = "{security}"',
            'from = "Watch <watch@under-stairs.example>"\nto = ["owner@under-stairs.example"]',
            *lines,
            "",
        ]
    )


def line(shown: str, start: str) -> str:
    """Give the one line of the output that starts so, however wide its columns are."""
    wanted = " ".join(start.split())
    (found,) = (each for each in shown.splitlines() if " ".join(each.split()).startswith(wanted))
    return plain(found)


def test_all_is_well_and_nothing_is_sent_or_made(
    broker: Broker, smtp: MailDrop, checker: Checker
) -> None:
    shown = checker.run(mqtt(broker) + email(smtp) + SENSORS)

    assert checker.status == 0, shown
    assert "2 sensors, 1 device" in shown
    assert "Warning" not in shown
    assert "MQTT 5" in line(shown, "broker  well")
    assert "subscribed for 2 sensors" in line(shown, "topics  well")
    assert "answers without TLS" in line(shown, "mail    well")
    assert "cabinetwatch.db will be made at the first run" in line(shown, "store   well")
    assert smtp.connections == 1
    assert smtp.messages == []
    assert [path.name for path in checker.folder.iterdir()] == ["config.toml"]
    # The watch's own session is left alone.
    connects = [each for each in broker.log.splitlines() if "New client connected" in each]
    assert any(" as cabinetwatchCheck" in each and "c1" in each for each in connects)
    assert not any(" as cabinetwatch (" in each for each in connects)
    # And that which was tried is left nowhere: what this broker keeps is in its file.
    broker.stop()
    assert b"cabinetwatchKeep" not in (broker.directory / "mosquitto.db").read_bytes()


def test_a_broker_that_is_not_there_is_told(checker: Checker) -> None:
    with socket.socket() as bound:
        # Nobody listens on it, and nobody else can.
        bound.bind(("127.0.0.1", 0))
        shown = checker.run(f"[mqtt]\nport = {bound.getsockname()[1]}\n{SENSORS}")
    assert checker.status == 1
    assert "nobody listens there" in line(shown, "broker  REFUSED")


def test_a_wrong_password_of_the_broker_is_told_and_not_shown(
    mosquitto: BrokerFactory, checker: Checker
) -> None:
    broker = mosquitto(passwords={"watch": "right-horse"})
    login = ('username = "watch"', 'password_file = "mqtt-password"')

    checker.secret("mqtt-password", "wrong-horse")
    shown = checker.run(mqtt(broker, *login) + SENSORS)
    assert checker.status == 1
    assert "it refuses the login" in line(shown, "broker  REFUSED")
    assert "wrong-horse" not in shown

    checker.secret("mqtt-password", "right-horse")
    assert "MQTT" in line(checker.run(mqtt(broker, *login) + SENSORS), "broker  well")
    assert checker.status == 0


def test_a_topic_that_may_not_be_read_is_told(
    mosquitto: BrokerFactory, checker: Checker, capsys: pytest.CaptureFixture[str]
) -> None:
    # The plain access list of this broker lets anybody subscribe and holds the messages back; its
    # plugin of access rules says no to the subscription itself.
    broker = mosquitto(config_lines=access_rules(checker.folder, may_read="under-stairs/#"))
    shown = checker.run(mqtt(broker) + SENSORS)
    assert checker.status == 1, shown
    assert "does not let us read hall/+/air" in line(shown, "topics  REFUSED")
    # And for its sensor, where one listens.
    shown = listened(checker, capsys, mqtt(broker) + SENSORS, "0.1s")
    assert checker.status == 1
    assert "does not let us read hall/+/air" in line(shown, "hall-air  NOTHING")


def access_rules(folder: Path, *, may_read: str) -> list[str]:
    """Give the broker's configuration by which anybody may subscribe to one filter only."""
    (plugin,) = Path("/usr/lib").glob("**/mosquitto_dynamic_security.so")
    reader = {"acltype": "subscribePattern", "topic": may_read, "allow": True}
    refused = {
        "publishClientSend": False,
        "publishClientReceive": True,
        "subscribe": False,
        "unsubscribe": True,
    }
    rules = {
        "defaultACLAccess": refused,
        "clients": [],
        "groups": [{"groupname": "anybody", "roles": [{"rolename": "reader"}]}],
        "roles": [{"rolename": "reader", "acls": [reader]}],
        "anonymousGroup": "anybody",
    }
    path = folder / "rules.json"
    path.write_text(json.dumps(rules))
    return [f"plugin {plugin}", f"plugin_opt_config_file {path}"]


def test_tls_to_the_broker_is_tried_with_its_authority(
    mosquitto: BrokerFactory, certificate: Certificate, checker: Checker
) -> None:
    broker = mosquitto(certificate=certificate)
    assert "REFUSED" in checker.run(mqtt(broker, "tls = true") + SENSORS)
    assert checker.status == 1
    trusted = mqtt(broker, "tls = true", f'ca_file = "{certificate.ca_file}"')
    assert "well" in line(checker.run(trusted + SENSORS), "broker")
    assert checker.status == 0


def test_a_mail_server_that_refuses_or_is_not_there_is_told(
    broker: Broker, smtp: MailDrop, checker: Checker
) -> None:
    for reply in ("421 4.3.2 closing", "554 5.7.1 go away", f"127.0.0.1:{smtp.port}"):
        if reply[0] == "1":
            smtp.stop()
        else:
            smtp.refuse(reply, at="connect")
        shown = checker.run(mqtt(broker) + email(smtp) + SENSORS)
        assert checker.status == 1
        assert reply in line(shown, "mail    REFUSED")


def test_starttls_and_login_are_tried(
    broker: Broker, mail_drop: MailDropFactory, certificate: Certificate, checker: Checker
) -> None:
    drop = mail_drop(security="starttls", certificate=certificate, login=("watch", "right-horse"))
    lines = (
        f'ca_file = "{certificate.ca_file}"',
        'username = "watch"',
        'password_file = "email-password"',
    )
    text = mqtt(broker) + email(drop, *lines, security="starttls") + SENSORS

    checker.secret("email-password", "right-horse")
    assert "with STARTTLS, logged in as watch" in line(checker.run(text), "mail    well")
    assert checker.status == 0

    checker.secret("email-password", "wrong-horse")
    shown = checker.run(text)
    assert checker.status == 1
    assert "refuses the login of watch" in line(shown, "mail    REFUSED")
    assert "wrong-horse" not in shown


def test_a_certificate_of_nobody_known_is_refused(
    broker: Broker, mail_drop: MailDropFactory, certificate: Certificate, checker: Checker
) -> None:
    drop = mail_drop(security="tls", certificate=certificate)
    shown = checker.run(mqtt(broker) + email(drop, security="tls") + SENSORS)
    assert checker.status == 1
    assert "its certificate is signed by nobody" in line(shown, "mail    REFUSED")


def test_a_user_name_without_a_password_is_told(
    broker: Broker, smtp: MailDrop, checker: Checker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("CABINETWATCH_EMAIL_PASSWORD", raising=False)
    shown = checker.run(mqtt(broker) + email(smtp, 'username = "watch"') + SENSORS)
    assert checker.status == 1
    assert "there is a username and no password" in line(shown, "mail    REFUSED")


def test_a_store_that_exists_is_looked_into_and_not_changed(
    broker: Broker, checker: Checker
) -> None:
    path = checker.folder / "cabinetwatch.db"
    put_empty_store(f"sqlite:///{path}")
    before = path.read_bytes()
    shown = checker.run(mqtt(broker) + SENSORS)
    assert "can be read and written" in line(shown, "store   well")
    assert checker.status == 0
    assert path.read_bytes() == before


def test_a_file_that_is_no_store_is_refused_untouched_and_a_missing_folder_told(
    broker: Broker, checker: Checker
) -> None:
    path = checker.folder / "cabinetwatch.db"
    for content in (b"something else entirely", b"SQLite format 3\0" + b"x" * 99):
        path.write_bytes(content)
        shown = checker.run(mqtt(broker) + SENSORS)
        assert checker.status == 1
        assert str(path) in line(shown, "store   REFUSED")
        assert path.read_bytes() == content
    shown = checker.run(mqtt(broker) + '[store]\nurl = "sqlite:///data/w.db"\n' + SENSORS)
    assert checker.status == 1
    assert f"there is no folder {checker.folder}/data; make it" in line(shown, "store   REFUSED")


def test_a_device_without_a_setpoint_gets_a_warning(broker: Broker, checker: Checker) -> None:
    bare = mqtt(broker) + SENSORS.replace("max_rise_k = 25.0", "")
    warning = "[devices.nas] has no derating and no max_rise_k, and [sensors.nas-air] has no high"
    assert warning in line(checker.run(bare), "Warning: [")
    assert checker.status == 0
    for guard in ("derating = [[45.0, 1.0]]", "max_rise_k = 25.0"):
        assert warning not in checker.run(f"{bare}{guard}\n")
    guarded = bare.replace("[sensors.hall-air]", "high = 50.0\n[sensors.hall-air]")
    assert warning not in checker.run(guarded)


def test_a_test_notice_goes_through_every_channel(
    broker: Broker, smtp: MailDrop, checker: Checker
) -> None:
    program = checker.folder / "siren"
    program.write_text(f"#!/bin/sh\ncat >> {checker.folder}/heard\n")
    program.chmod(stat.S_IRWXU)
    command = '[notify.command]\nargv = ["./siren"]\n'

    shown = checker.run(mqtt(broker) + email(smtp) + command + SENSORS, "--send")

    assert checker.status == 0, shown
    (mail,) = smtp.wait_for(1)
    assert mail.recipients == ["owner@under-stairs.example"]
    assert "test" in mail.message["Subject"].lower()
    assert "owner@under-stairs.example" in line(shown, "test by mail     well")
    assert "test by MQTT" in shown
    assert "cabinetwatch/alarm/" in broker.log
    heard = [json.loads(each) for each in (checker.folder / "heard").read_text().splitlines()]
    assert [each["state"] for each in heard] == ["unacknowledged", "normal"]


def test_a_test_notice_that_is_refused_is_told(
    broker: Broker, smtp: MailDrop, checker: Checker
) -> None:
    smtp.refuse_recipient("owner@under-stairs.example", "550 5.1.1 nobody of that name")
    shown = checker.run(mqtt(broker) + email(smtp) + SENSORS, "--send")
    assert checker.status == 1
    assert "550 5.1.1 nobody of that name" in line(shown, "test by mail  REFUSED")


PEOPLE = """
[notify.people.kim]
name = "Kim"
mail = "kim@under-stairs.example"
away = ["2000-01-01/2999-12-31"]

[notify.people.robin]
mail = "robin@under-stairs.example"
after = "30m"
"""


def test_a_test_notice_reaches_each_person_away_or_not_with_a_line_for_each(
    broker: Broker, smtp: MailDrop, checker: Checker
) -> None:
    smtp.refuse_recipient("robin@under-stairs.example", "550 5.1.1 nobody of that name")
    shown = checker.run(mqtt(broker) + email(smtp) + PEOPLE + SENSORS, "--send")
    assert checker.status == 1
    assert sorted(mail.recipients[0] for mail in smtp.messages) == [
        "kim@under-stairs.example",
        "owner@under-stairs.example",
    ]
    assert "taken for owner@under-stairs.example" in line(shown, "test by mail well")
    assert "taken for kim@under-stairs.example" in line(shown, "test by mail to Kim well")
    assert "550 5.1.1 nobody of that name" in line(shown, "test by mail to robin  REFUSED")
    assert line(shown, "people  ").split()[1] == "well"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            ('after = "30m"', 'away = ["2999-01-01/3001-01-01"]'),
            "from 2999-01-01 to 2999-12-31 all",
        ),
        (('name = "Kim"', 'after = "1h"'), "all who get high alarms have after (kim and robin)"),
        (("mail = ", 'priorities = ["medium"]\nmail = '), "nobody gets high alarms"),
    ],
)
def test_check_does_not_call_it_well_where_nobody_would_get_a_high_alarm(
    broker: Broker, smtp: MailDrop, checker: Checker, change: tuple[str, str], said: str
) -> None:
    to = 'to = ["owner@under-stairs.example"]'
    people = (mqtt(broker) + email(smtp) + PEOPLE + SENSORS).replace(to, "")
    assert "all who" not in checker.run(people)
    assert checker.status == 0
    shown = " ".join(checker.run(people.replace(*change)).split())
    assert checker.status == 1
    assert "people NOBODY" in shown
    assert said in shown
    # With somebody who gets it all the same, that is no trouble.
    checker.run(people.replace(*change).replace("from = ", f"{to}\nfrom = "))
    assert checker.status == 0


def test_a_simple_list_that_takes_no_high_alarms_is_not_well_either(
    broker: Broker, smtp: MailDrop, checker: Checker
) -> None:
    shown = checker.run(mqtt(broker) + email(smtp, 'priorities = ["medium"]') + SENSORS)
    assert checker.status == 1
    assert "nobody gets high alarms" in line(shown, "people  NOBODY")


def test_a_command_that_is_no_program_is_told_without_running_it(
    broker: Broker, checker: Checker
) -> None:
    (checker.folder / "siren").write_text("not to be run")
    shown = checker.run(mqtt(broker) + '[notify.command]\nargv = ["./siren"]\n' + SENSORS)
    assert checker.status == 1
    assert "siren is no program that this user can start" in line(shown, "command  REFUSED")


def test_what_arrives_while_it_checks_does_not_disturb(broker: Broker, checker: Checker) -> None:
    topic = "under-stairs/nas/air"
    publish.single(
        topic, b"\xff\x1b[2J", qos=1, retain=True, hostname="127.0.0.1", port=broker.port
    )
    shown = checker.run(mqtt(broker) + SENSORS)
    assert checker.status == 0
    assert "\x1b" not in shown


@pytest.mark.parametrize(("host", "warned"), [("mail.invalid", True), ("localhost", False)])
def test_a_secret_that_crosses_the_network_readable_gets_a_warning(
    checker: Checker, host: str, warned: bool
) -> None:
    checker.secret("password", "under-7-stairs-secret")
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        port = bound.getsockname()[1]
        shown = checker.run(
            f'[mqtt]\nhost = "{host}"\nport = {port}\nusername = "watch"\n'
            'password_file = "password"\n'
            f'[notify.email]\nhost = "{host}"\nport = {port}\nsecurity = "none"\n'
            'username = "watch"\npassword_file = "password"\n'
            'from = "watch@under-stairs.example"\nto = ["owner@under-stairs.example"]\n'
            f'[notify.http]\nurl = "http://{host}:{port}/push"\nheaders_file = "password"\n'
            f'[page]\nurl = "http://{host}:8080"\nactions = true\n'
        )
    shown = " ".join(shown.split())
    for table, remedy in (
        ("[mqtt] tls = false", "tls = true"),
        ("[notify.email]", "starttls"),
        ("[notify.http] url", "use https"),
        ("[page] actions = true", "forward no port"),
    ):
        assert (f"Warning: {table}" in shown) == warned
        assert (remedy in shown) == warned
    assert "under-7-stairs-secret" not in shown


def send(broker: Broker, topic: str, payload: str) -> None:
    """Leave a message with the broker, as a node does that sends retained."""
    publish.single(topic, payload, qos=1, retain=True, hostname="127.0.0.1", port=broker.port)


def listened(checker: Checker, capsys: pytest.CaptureFixture[str], text: str, time: str) -> str:
    """Give the output of `check --listen`, whose news go to standard error, as one line."""
    path = checker.folder / "config.toml"
    path.write_text(text)
    checker.status = main(["check", "--config", str(path), "--listen", time])
    said = capsys.readouterr()
    assert said.err.startswith("Listening for ")
    return said.out


@pytest.fixture
def ends_at_the_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the time be over once a first message has come, however late on a busy machine."""
    note = Ear.note

    def ending(ear: Ear, message: Incoming) -> None:
        note(ear, message)
        ear.all_heard.set()

    monkeypatch.setattr(Ear, "note", ending)


def test_listening_ends_as_soon_as_every_sensor_was_heard(
    broker: Broker, checker: Checker, capsys: pytest.CaptureFixture[str]
) -> None:
    send(broker, "under-stairs/nas/air", "41.5")
    send(broker, "hall/floor/air", '{"t": "21.4"}')
    # Days: it would not end otherwise.
    shown = listened(checker, capsys, mqtt(broker) + SENSORS, "7d")
    assert checker.status == 0, shown
    assert "41.5 °C; kept by the broker, so it may be old" in line(shown, "nas-air   well")
    assert "21.4 °C" in line(shown, "hall-air  well")


@pytest.mark.usefixtures("ends_at_the_first")
def test_what_the_access_list_holds_back_silently_is_told_as_nothing_came(
    mosquitto: BrokerFactory, checker: Checker, capsys: pytest.CaptureFixture[str]
) -> None:
    rules = checker.folder / "acl"
    rules.write_text("topic readwrite under-stairs/#\ntopic write hall/#\n")
    broker = mosquitto(config_lines=[f"acl_file {rules}"])
    send(broker, "under-stairs/nas/air", "41.5")
    send(broker, "hall/floor/air", '{"t": 21.4}')
    shown = listened(checker, capsys, mqtt(broker) + SENSORS, "1h")
    assert checker.status == 1
    # This broker grants the subscription and delivers nothing.
    assert "subscribed for 2 sensors" in line(shown, "topics    well")
    assert "41.5 °C" in line(shown, "nas-air   well")
    nothing = line(shown, "hall-air  NOTHING")
    assert "nothing came on hall/+/air in 1 h" in nothing
    assert "access list" in nothing


@pytest.mark.usefixtures("ends_at_the_first")
def test_a_payload_that_cant_be_read_or_be_true_is_told_with_the_remedy(
    broker: Broker, checker: Checker, capsys: pytest.CaptureFixture[str]
) -> None:
    text = mqtt(broker) + SENSORS.partition("[sensors.hall-air]")[0]
    for payload, found, remedy in (
        ('{"temp": 41.5}', "UNREADABLE", 'give pointer = "/temp"'),
        ("41,5", "UNREADABLE", "write the number with a point"),
        ('[{"n": "nas", "v": 41.5}]', "UNREADABLE", 'give senml_name = "nas"'),
        ("on", "UNREADABLE", "take another topic"),
        ("415", "IMPLAUSIBLE", "check unit and pointer"),
    ):
        send(broker, "under-stairs/nas/air", payload)
        shown = listened(checker, capsys, text, "1h")
        assert checker.status == 1
        assert remedy in line(shown, f"nas-air  {found}")


@pytest.mark.parametrize("time", ["30", "-5s", "soon"])
def test_a_time_to_listen_that_is_none_is_refused(
    checker: Checker, capsys: pytest.CaptureFixture[str], time: str
) -> None:
    path = checker.folder / "config.toml"
    path.write_text(SENSORS)
    assert main(["check", "--config", str(path), "--listen", time]) == 2
    assert "--listen: " in capsys.readouterr().err


class _Forgetful(SlowLine):
    """Before a real broker, a line that has every session begin anew, as some brokers do.

    In the first packet of a connection it sets Clean Start, or Clean Session (MQTT 5.0, 3.1.2.4).
    """

    def _pass_on(self, source: socket.socket, data: bytes) -> None:
        # CONNECT: one byte of type, up to two of length here, the protocol's name, its level.
        at = data.find(b"\x00\x04MQTT") if data[:1] == b"\x10" else -1
        if at > 0:
            flags = at + 7
            data = data[:flags] + bytes([data[flags] | 0x02]) + data[flags + 1 :]
        super()._pass_on(source, data)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_broker_that_keeps_no_session_is_told(
    broker: Broker, checker: Checker, protocol: str
) -> None:
    speak = f'protocol = "{protocol}"'
    line_of = _Forgetful(broker.port)
    try:
        shown = checker.run(f"[mqtt]\nport = {line_of.port}\n{speak}\n{SENSORS}")
    finally:
        line_of.close()
    assert checker.status == 1
    assert "the broker keeps no session" in line(shown, "session  NOT KEPT")

    shown = checker.run(mqtt(broker, speak) + SENSORS)
    assert checker.status == 0
    assert "keeps a session" in line(shown, "session  well")


def ear_of(folder: Path, text: str) -> Ear:
    path = folder / "config.toml"
    path.write_text(text)
    return Ear(load_config(path))


def hears(ear: Ear, topic: str, payload: bytes, *, kept: bool = False) -> None:
    ear.note(Incoming(1, 1, topic, payload, qos=1, dup=False, retain=kept, t=0, resumed=False))


def test_what_the_broker_keeps_and_cant_be_read_is_no_reason_to_listen_no_longer(
    tmp_path: Path,
) -> None:
    ear = ear_of(tmp_path, SENSORS)
    hears(ear, "hall/a/air", b'{"t": 21.4}')
    hears(ear, "under-stairs/nas/air", b"on", kept=True)
    assert not ear.all_heard.is_set()
    hears(ear, "under-stairs/nas/air", b"41.5")
    assert ear.all_heard.is_set()
    assert all(each.well for each in ear.findings(1.0, {}))
    ear = ear_of(tmp_path, SENSORS)
    hears(ear, "hall/a/air", b'{"t": 21.4}', kept=True)
    hears(ear, "under-stairs/nas/air", b"on")
    assert ear.all_heard.is_set()


def test_what_is_heard_is_said_with_the_offset_of_its_sensor(tmp_path: Path) -> None:
    ear = ear_of(tmp_path, SENSORS.replace("[sensors.nas-air]", "[sensors.nas-air]\noffset = -1.5"))
    hears(ear, "under-stairs/nas/air", b"36.5")
    assert plain(next(ear.findings(1.0, {})).details) == "35.0 °C"


def test_what_is_heard_is_said_in_the_unit_of_the_site(tmp_path: Path) -> None:
    ear = ear_of(tmp_path, f'[site]\ntemperature_unit = "degF"\n{SENSORS}')
    hears(ear, "under-stairs/nas/air", b"36.5")
    hears(ear, "hall/a/air", b'{"t": 300}')
    nas, hall = ear.findings(1.0, {})
    assert plain(nas.details) == "97.7 °F"
    assert plain(hall.details).startswith("572.0 °F is not between -67.0 °F and 257.0 °F;")


PAGE = '[page]\nurl = "http://cabinet.local:8080"\n'


def test_what_people_need_to_act_through_the_page_is_tried(
    broker: Broker, smtp: MailDrop, checker: Checker, monkeypatch: pytest.MonkeyPatch
) -> None:
    acting = mqtt(broker) + email(smtp) + SENSORS + PAGE + "actions = true\n"
    shown = checker.run(acting)
    assert checker.status == 0, shown
    well = "people can act through http://cabinet.local:8080, without a PIN"
    assert well in line(shown, "page well")
    assert "forward no port to it" in line(shown, "Warning: [page] actions = true with an http url")
    checker.secret("page-pin", "47110815")
    shown = checker.run(acting.replace("http:", "https:") + 'pin_file = "page-pin"\n')
    assert "with a PIN" in line(shown, "page well")
    assert "Warning" not in shown
    assert "47110815" not in shown
    checker.secret("page-pin", "1234")
    shown = checker.run(f'{acting}pin_file = "page-pin"\n')
    assert checker.status == 1
    assert "has fewer than 6 characters" in line(shown, "page REFUSED")
    # The key of links, where there is one already.
    (checker.folder / "cabinetwatch.db.link-key").write_text("half")
    shown = checker.run(acting)
    assert "is open to every user" in line(shown, "page REFUSED")


def test_an_address_of_the_page_without_mails_to_link_there_is_warned_of(
    broker: Broker, checker: Checker
) -> None:
    shown = checker.run(mqtt(broker) + SENSORS + PAGE)
    line(shown, "Warning: [page] url is for the links in mails, and there is no table")
