"""No password is logged, shown, stored or passed on, whatever becomes of it."""

import signal
from pathlib import Path

import pytest

from tests.service.site import Site
from tests.service.watching import WatchProcess, cabinetwatch, running, wait_until
from tests.service.wire import Wire
from tests.support.broker import BrokerFactory
from tests.support.certificates import Certificate
from tests.support.mail import MailDropFactory

MQTT_SECRET = "mq-Xw83-broker-secret"
MAIL_SECRET = "ml-Zk27-mail-secret"


def with_secrets(site: Site, mqtt: str, mail: str, certificate: Certificate) -> Path:
    """Write a configuration whose two passwords stand in files of their own."""
    path = site.write()
    for name, secret in (("mqtt", mqtt), ("mail", mail)):
        file = site.folder / f"{name}-password"
        file.write_text(f"{secret}\n")
        file.chmod(0o600)
    text = path.read_text()
    text = text.replace("[mqtt]\n", '[mqtt]\nusername = "watch"\npassword_file = "mqtt-password"\n')
    text = text.replace(
        'security = "none"\n',
        f'security = "starttls"\nca_file = "{certificate.ca_file}"\nusername = "watch"\n'
        'password_file = "mail-password"\n',
    )
    path.write_text(text)
    return path


def command(site: Site, *arguments: str) -> str:
    """Run a command and give all that it writes."""
    ran = cabinetwatch(site.path, *arguments)
    assert "Traceback" not in ran.stderr
    return ran.stdout + ran.stderr


@pytest.mark.parametrize("right", [True, False])
def test_passwords_are_in_no_log_no_output_no_message_and_no_file(
    right: bool,
    site: Site,
    mosquitto: BrokerFactory,
    mail_drop: MailDropFactory,
    certificate: Certificate,
    tmp_path: Path,
) -> None:
    broker = mosquitto(passwords={"watch": MQTT_SECRET if right else "another"})
    word = MAIL_SECRET if right else "another"
    mail = mail_drop(security="starttls", certificate=certificate, login=("watch", word))
    site.mqtt_port, site.mail_port = broker.port, mail.port
    with_secrets(site, MQTT_SECRET, MAIL_SECRET, certificate)
    watch = WatchProcess(site.path)
    try:
        watch.wait_log("watching" if right else "did not let us in")
        shown = command(site, "check", "--send")
        shown += command(site, "status", "--json") + command(site, "alarms")
        watch.send(signal.SIGHUP)
        watch.wait_log("reading the configuration again")
        assert watch.stop() == 0
    finally:
        if watch.running:
            watch.kill()
    if right:
        mail.wait_for(1)
    shown += command(site, "failed", "--stamp", str(tmp_path / "told"), "--for", "1s")
    shown += watch.log + broker.log + str([each.content for each in mail.messages])
    stored = b"".join(path.read_bytes() for path in site.folder.glob("watch.db*"))
    for secret in (MQTT_SECRET, MAIL_SECRET):
        assert secret not in shown
        assert secret.encode() not in stored


def test_a_program_of_the_users_gets_no_secret_in_its_environment(
    site: Site, cabinet: Wire, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CABINETWATCH_MQTT_PASSWORD", MQTT_SECRET)
    monkeypatch.setenv("CABINETWATCH_EMAIL_PASSWORD", MAIL_SECRET)
    told = site.folder / "environment"
    program = site.folder / "siren"
    program.write_text(f"#!/bin/sh\nenv >{told}.part\nmv {told}.part {told}\n")
    program.chmod(0o755)
    site.tables += f'[notify.command]\nargv = ["{program}"]\n'
    with running(site.write()) as watch:
        cabinet.wait_online()
        cabinet.heat_nas()
        wait_until(told.exists, "the program to run")
        assert watch.stop() == 0
    environment = told.read_text()
    assert "PATH=" in environment
    assert MQTT_SECRET not in environment
    assert MAIL_SECRET not in environment


def test_the_log_warns_of_what_crosses_the_network_readable(
    site: Site, mosquitto: BrokerFactory
) -> None:
    site.mqtt_port, site.mail_port = mosquitto().port, 25
    path = site.write()
    text = path.read_text()
    before, table, after = text.partition("[notify.email]\n")
    after = after.replace('host = "127.0.0.1"', 'host = "mail.invalid"', 1)
    page = '[page]\nurl = "http://cabinet.local:8080"\nactions = true\n'
    path.write_text(f'{before}{table}username = "watch"\n{after}{page}')
    with running(path) as watch:
        watch.wait_log('security = "none" sends the password to mail.invalid readable')
        watch.wait_log("[page] actions = true with an http url")
        watch.wait_log("watching")
