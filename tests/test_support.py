"""The servers that other tests lean on do what those tests think they do."""

import gc
import smtplib
import sqlite3
import ssl
from email.message import EmailMessage

import paho.mqtt
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt import publish, subscribe

from tests.support.broker import Broker, BrokerFactory
from tests.support.certificates import Certificate
from tests.support.mail import MailDrop, MailDropFactory
from tests.support.patience import WITHIN_S
from tests.support.ports import is_listening


def mail(subject: str = "Hello") -> EmailMessage:
    message = EmailMessage()
    message["Subject"] = subject
    message["From"] = "watch@under-stairs.example"
    message["To"] = "owner@under-stairs.example"
    message.set_content("The cabinet is warm.")
    return message


def test_a_broker_keeps_a_retained_message_over_a_restart(broker: Broker) -> None:
    publish.single("nas/air", "31.5", qos=1, retain=True, hostname=broker.host, port=broker.port)
    broker.restart()

    kept = subscribe.simple(  # type: ignore[no-untyped-call]
        "nas/air", hostname=broker.host, port=broker.port
    )

    assert isinstance(kept, mqtt.MQTTMessage)
    assert kept.payload == b"31.5"


def test_a_killed_broker_refuses_connections_until_it_is_started(broker: Broker) -> None:
    broker.kill()
    assert not is_listening(broker.port)
    broker.start()
    assert is_listening(broker.port)


def test_a_broker_with_passwords_refuses_others(mosquitto: BrokerFactory) -> None:
    broker = mosquitto(passwords={"watch": "right"})
    publish.single(
        "a",
        "1",
        hostname=broker.host,
        port=broker.port,
        auth={"username": "watch", "password": "right"},
    )
    with pytest.raises(paho.mqtt.MQTTException):
        publish.single(
            "a",
            "1",
            hostname=broker.host,
            port=broker.port,
            auth={"username": "watch", "password": "wrong"},
        )


def test_a_broker_with_a_certificate_speaks_tls(
    mosquitto: BrokerFactory, certificate: Certificate
) -> None:
    broker = mosquitto(certificate=certificate)
    publish.single(
        "a", "1", hostname="127.0.0.1", port=broker.port, tls={"ca_certs": str(certificate.ca_file)}
    )


def test_the_mail_server_keeps_what_it_took(smtp: MailDrop) -> None:
    with smtplib.SMTP(smtp.host, smtp.port, timeout=WITHIN_S) as client:
        client.send_message(mail())

    (delivered,) = smtp.wait_for(1)
    assert delivered.message["Subject"] == "Hello"
    assert delivered.recipients == ["owner@under-stairs.example"]


def test_the_mail_server_refuses_as_told_and_behaves_again(smtp: MailDrop) -> None:
    smtp.refuse("451 4.3.0 try later", at="data")
    with (
        smtplib.SMTP(smtp.host, smtp.port, timeout=WITHIN_S) as client,
        pytest.raises(smtplib.SMTPDataError) as refusal,
    ):
        client.send_message(mail())
    assert refusal.value.smtp_code == 451

    smtp.behave()
    with smtplib.SMTP(smtp.host, smtp.port, timeout=WITHIN_S) as client:
        client.send_message(mail("Again"))
    assert [kept.message["Subject"] for kept in smtp.messages] == ["Again"]


def test_the_mail_server_refuses_one_recipient_and_takes_the_other(smtp: MailDrop) -> None:
    smtp.refuse_recipient("gone@under-stairs.example")
    with smtplib.SMTP(smtp.host, smtp.port, timeout=WITHIN_S) as client:
        refused = client.send_message(
            mail(), to_addrs=["gone@under-stairs.example", "here@under-stairs.example"]
        )
    assert list(refused) == ["gone@under-stairs.example"]
    assert smtp.messages[0].recipients == ["here@under-stairs.example"]


def test_the_mail_server_refuses_at_the_greeting(smtp: MailDrop) -> None:
    smtp.refuse("421 4.3.2 closing", at="connect")
    with pytest.raises(smtplib.SMTPConnectError):
        smtplib.SMTP(smtp.host, smtp.port, timeout=WITHIN_S)


@pytest.mark.parametrize("stage", ["connect", "mail", "recipient", "data"])
def test_the_mail_server_hangs_as_told(smtp: MailDrop, stage: str) -> None:
    smtp.hang(stage)  # type: ignore[arg-type]
    with pytest.raises(smtplib.SMTPServerDisconnected, match="timed out"):  # noqa: SIM117
        with smtplib.SMTP(smtp.host, smtp.port, timeout=0.3) as client:
            client.send_message(mail())
    assert not smtp.messages


def test_the_mail_server_keeps_a_mail_and_loses_its_reply(smtp: MailDrop) -> None:
    smtp.behaviour.lose_reply = True
    with (
        smtplib.SMTP(smtp.host, smtp.port, timeout=WITHIN_S) as client,
        pytest.raises(smtplib.SMTPServerDisconnected),
    ):
        client.send_message(mail())
    assert len(smtp.messages) == 1


def test_a_stopped_mail_server_refuses_connections_until_it_is_started(smtp: MailDrop) -> None:
    smtp.stop()
    assert not is_listening(smtp.port)
    smtp.start()
    assert is_listening(smtp.port)


def test_the_mail_server_wants_starttls_and_the_right_password(
    mail_drop: MailDropFactory, certificate: Certificate
) -> None:
    drop = mail_drop(security="starttls", certificate=certificate, login=("watch", "right"))
    context = ssl.create_default_context(cafile=str(certificate.ca_file))

    with smtplib.SMTP("127.0.0.1", drop.port, timeout=WITHIN_S) as client:
        with pytest.raises(smtplib.SMTPSenderRefused):
            client.send_message(mail())
        client.starttls(context=context)
        with pytest.raises(smtplib.SMTPAuthenticationError):
            client.login("watch", "wrong")
        client.login("watch", "right")
        client.send_message(mail())
    assert len(drop.messages) == 1


def test_the_mail_server_speaks_tls_from_the_first_byte(
    mail_drop: MailDropFactory, certificate: Certificate
) -> None:
    drop = mail_drop(security="tls", certificate=certificate)
    context = ssl.create_default_context(cafile=str(certificate.ca_file))
    with smtplib.SMTP_SSL("127.0.0.1", drop.port, timeout=WITHIN_S, context=context) as client:
        client.send_message(mail())
    assert len(drop.messages) == 1


def test_a_database_that_nobody_closes_is_told() -> None:
    def leave_open() -> None:
        sqlite3.connect(":memory:").execute("SELECT 1")
        gc.collect()

    with pytest.warns(ResourceWarning, match="unclosed database"):
        leave_open()
