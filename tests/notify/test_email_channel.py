"""The e-mail channel against a real server on a socket, in good and bad days."""

import datetime as dt
import logging
import socket
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest
from pydantic import SecretStr

from cabinetwatch.config import Config
from cabinetwatch.notify.channels import EmailChannel
from cabinetwatch.notify.delivery import Attempt
from cabinetwatch.notify.mail import build_message
from cabinetwatch.notify.plan import plan
from cabinetwatch.notify.smtp import Timeouts
from cabinetwatch.store.records import Notice
from tests.notify.byte_server import ByteServer, Connection
from tests.notify.samples import make_config, transition
from tests.support import certificates
from tests.support.certificates import Certificate, make_certificate
from tests.support.mail import MailDrop, MailDropFactory, Stage
from tests.support.patience import WITHIN_S

OWNER = "owner@under-stairs.example"
NEIGHBOUR = "neighbour@under-stairs.example"
PASSWORD = "under-7-stairs-secret"

SECURED = """
[notify.email]
host = "{host}"
port = {port}
security = "{security}"
from = "watch@under-stairs.example"
to = ["owner@under-stairs.example"]
{more}
"""


def plain_config(port: int, *to: str) -> Config:
    return make_config(port=port, to=to or (OWNER,)).model_copy()


def secured_config(
    port: int,
    security: str,
    *,
    host: str = "127.0.0.1",
    ca_file: Path | None = None,
    more: str = "",
) -> Config:
    if ca_file is not None:
        more += f'\nca_file = "{ca_file}"\n'
    text = SECURED.format(host=host, port=port, security=security, more=more)
    return make_config(text, email=None)


def channel(
    config: Config, timeouts: Timeouts | None = None, password: str | None = None
) -> EmailChannel:
    assert config.notify.email is not None
    secret = None if password is None else SecretStr(password)
    return EmailChannel(config, config.notify.email, secret, timeouts)


def the_notice(config: Config) -> Notice:
    return plan([transition()], config)[0]


def send(config: Config, timeouts: Timeouts | None = None, password: str | None = None) -> Attempt:
    carrier = channel(config, timeouts, password)
    return carrier.send(the_notice(config), carrier.recipients)


def why(attempt: Attempt) -> str:
    """Give the one reason that an attempt failed for."""
    if attempt.unreachable is not None:
        assert not attempt.refused
        return attempt.unreachable
    (reason,) = {refusal.error for refusal in attempt.refused.values()}
    return reason


def test_a_mail_arrives_byte_for_byte_at_every_recipient(smtp: MailDrop) -> None:
    config = plain_config(smtp.port, OWNER, NEIGHBOUR)
    attempt = send(config)
    assert attempt == Attempt(accepted=(OWNER, NEIGHBOUR))
    (delivered,) = smtp.messages
    assert delivered.sender == "watch@under-stairs.example"
    assert delivered.recipients == [OWNER, NEIGHBOUR]
    assert config.notify.email is not None
    built = build_message(the_notice(config), config, config.notify.email).as_bytes()
    assert delivered.content == built


def test_a_senders_name_stays_out_of_the_envelope(smtp: MailDrop) -> None:
    config = make_config(port=smtp.port, sender="The watch <watch@under-stairs.example>")
    assert send(config).accepted
    (delivered,) = smtp.messages
    assert delivered.sender == "watch@under-stairs.example"
    assert delivered.message["From"].addresses[0].display_name == "The watch"


def test_a_line_that_begins_with_a_dot_arrives_whole(smtp: MailDrop) -> None:
    config = plain_config(smtp.port)
    raised = transition(text=".\r\n. QUIT\r\n..")
    carrier = channel(config)
    carrier.send(plan([raised], config)[0], carrier.recipients)
    text = next(smtp.messages[0].message.iter_parts()).get_content()
    assert "): .\n. QUIT\n..\n" in text.replace("\r\n", "\n")


def test_a_server_that_is_not_running_is_unreachable() -> None:
    with socket.socket() as bound:
        # Nobody listens on it, and nobody else can.
        bound.bind(("127.0.0.1", 0))
        attempt = send(plain_config(bound.getsockname()[1]))
    assert "refuses the connection" in why(attempt)
    assert attempt.unreachable is not None


def test_a_name_that_does_not_exist_is_unreachable() -> None:
    text = SECURED.format(host="mail.invalid", port=25, security="none", more="")
    attempt = send(make_config(text, email=None))
    assert attempt.unreachable is not None
    assert "mail.invalid:25: its name can't be resolved" in attempt.unreachable


@pytest.mark.parametrize("stage", ["mail", "recipient", "data"])
@pytest.mark.parametrize(
    ("reply", "permanent"), [("451 4.3.0 later", False), ("554 5.7.1 no", True)]
)
def test_a_refusal_within_a_mail_is_the_mails_own(
    smtp: MailDrop, stage: Stage, reply: str, permanent: bool
) -> None:
    smtp.refuse(reply, at=stage)
    attempt = send(plain_config(smtp.port, OWNER, NEIGHBOUR))
    assert not smtp.messages
    assert attempt.unreachable is None
    assert not attempt.in_doubt
    assert set(attempt.refused) == {OWNER, NEIGHBOUR}
    assert {refusal.permanent for refusal in attempt.refused.values()} == {permanent}
    for recipient, refusal in attempt.refused.items():
        assert refusal.error.startswith(f"mail server 127.0.0.1:{smtp.port}: it ")
        assert reply in refusal.error
        assert stage != "recipient" or recipient in refusal.error


def test_a_4xx_at_the_greeting_is_unreachable_and_a_5xx_is_a_final_no(smtp: MailDrop) -> None:
    config = plain_config(smtp.port)
    smtp.refuse("421 4.3.2 closing", at="connect")
    assert "421" in str(send(config).unreachable)
    assert channel(config).probe().unreachable is not None
    smtp.refuse("554 5.3.2 no mail here", at="connect")
    attempt = send(config)
    assert attempt.refused[OWNER].permanent
    assert "554 5.3.2 no mail here" in why(attempt)
    assert channel(config).probe().unreachable is None


@pytest.mark.parametrize("reply", ["550 5.1.1 no such mailbox", "450 4.2.1 greylisted"])
def test_one_refused_recipient_does_not_keep_the_mail_from_the_other(
    smtp: MailDrop, reply: str
) -> None:
    smtp.refuse_recipient(NEIGHBOUR, reply)
    attempt = send(plain_config(smtp.port, NEIGHBOUR, OWNER))
    assert attempt.accepted == (OWNER,)
    assert list(attempt.refused) == [NEIGHBOUR]
    assert attempt.refused[NEIGHBOUR].permanent == reply.startswith("5")
    assert smtp.messages[0].recipients == [OWNER]


def test_a_server_that_is_slow_to_greet_gets_the_mail_all_the_same() -> None:
    waiting = threading.Event()

    def serve(connection: Connection) -> None:
        waiting.wait(WITHIN_S)
        answers = {b"EHLO": "250 ok", b"MAIL": "250 ok", b"RCPT": "250 ok", b"DATA": "354 go"}
        connection.say("220 slow")
        while line := connection.hear():
            if line[:4].upper() in answers:
                connection.say(answers[line[:4].upper()])
            elif line == b".\r\n":
                connection.say("250 kept")
            elif line[:4].upper() == b"QUIT":
                return

    with ByteServer(serve) as server:
        threading.Timer(0.2, waiting.set).start()
        assert send(plain_config(server.port)).accepted == (OWNER,)


def test_a_lost_reply_leaves_the_mail_in_doubt(smtp: MailDrop) -> None:
    smtp.behaviour.lose_reply = True
    attempt = send(plain_config(smtp.port))
    assert len(smtp.messages) == 1
    assert attempt.in_doubt
    assert attempt.connection_lost
    assert "closed the connection" in why(attempt)


def test_starttls_with_login_delivers(mail_drop: MailDropFactory, certificate: Certificate) -> None:
    drop = mail_drop(security="starttls", certificate=certificate, login=("watch", PASSWORD))
    config = secured_config(
        drop.port, "starttls", ca_file=certificate.ca_file, more='username = "watch"'
    )
    assert send(config, password=PASSWORD).accepted == (OWNER,)
    assert len(drop.messages) == 1


def test_tls_from_the_first_byte_delivers(
    mail_drop: MailDropFactory, certificate: Certificate
) -> None:
    drop = mail_drop(security="tls", certificate=certificate)
    assert send(secured_config(drop.port, "tls", ca_file=certificate.ca_file)).accepted == (OWNER,)


@pytest.mark.parametrize("offer", ["250 ok", "250-STARTTLS\r\n250 ok"])
def test_without_starttls_nothing_is_sent_unprotected(offer: str) -> None:
    def serve(connection: Connection) -> None:
        connection.say("220 ready")
        while line := connection.hear():
            if line[:4].upper() == b"EHLO":
                connection.say(offer)
            else:
                connection.say("454 4.7.0 TLS not available")

    with ByteServer(serve) as server:
        config = secured_config(server.port, "starttls", more='username = "watch"')
        attempt = send(config, password=PASSWORD)
    assert attempt.unreachable is not None
    assert "STARTTLS" in attempt.unreachable or "454" in attempt.unreachable
    commands = {line[:4].upper() for line in server.received.splitlines()}
    assert commands <= {b"EHLO", b"STAR", b"QUIT"}


def test_tls_is_never_dropped_for_a_server_that_speaks_plainly(smtp: MailDrop) -> None:
    attempt = send(secured_config(smtp.port, "tls"))
    assert attempt.unreachable is not None
    assert 'port 587 or 25, set security = "starttls"' in attempt.unreachable
    assert not smtp.messages


@pytest.mark.parametrize("security", ["tls", "starttls"])
def test_an_unknown_authority_is_refused_and_named(
    mail_drop: MailDropFactory, certificate: Certificate, tmp_path: Path, security: str
) -> None:
    drop = mail_drop(security=security, certificate=certificate)
    other = make_certificate(tmp_path / "other").ca_file
    for ca_file, known in (
        (other, f"the authorities in {other}"),
        (None, "the system's authorities"),
    ):
        attempt = send(secured_config(drop.port, security, ca_file=ca_file))
        assert f"signed by nobody among {known}" in str(attempt.unreachable)
    assert not drop.messages


def test_a_certificate_for_another_name_is_refused(
    mail_drop: MailDropFactory, tmp_path: Path
) -> None:
    elsewhere = make_certificate(tmp_path, host="elsewhere.under-stairs.example", address=None)
    drop = mail_drop(security="starttls", certificate=elsewhere)
    attempt = send(secured_config(drop.port, "starttls", ca_file=elsewhere.ca_file))
    assert "its certificate is for another name" in str(attempt.unreachable)
    assert not drop.messages


@pytest.mark.parametrize(
    ("days", "sentence"),
    [
        (-10, "its certificate has expired: this machine's clock says"),
        (10, "its certificate is not valid yet: this machine's clock says"),
    ],
)
def test_a_certificate_out_of_its_time_points_at_the_clock(
    mail_drop: MailDropFactory,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    days: int,
    sentence: str,
) -> None:
    issued = dt.datetime.now(dt.UTC) + dt.timedelta(days=days)
    clock = SimpleNamespace(now=issued.astimezone)
    then = SimpleNamespace(datetime=clock, UTC=dt.UTC, timedelta=dt.timedelta)
    monkeypatch.setattr(certificates, "dt", then)
    made = make_certificate(tmp_path)
    drop = mail_drop(security="tls", certificate=made)
    before = today()
    attempt = send(secured_config(drop.port, "tls", ca_file=made.ca_file))
    assert sentence in str(attempt.unreachable)
    # It may be midnight just now.
    assert any(day in str(attempt.unreachable) for day in (before, today()))


def today() -> str:
    return f"{dt.datetime.now(dt.UTC):%Y-%m-%d}"


def test_a_ca_file_that_cannot_be_used_is_named(smtp: MailDrop, tmp_path: Path) -> None:
    missing, empty = tmp_path / "missing.pem", tmp_path / "empty.pem"
    empty.write_text("no certificate")
    missing.touch()
    configs = [secured_config(smtp.port, "tls", ca_file=path) for path in (missing, empty)]
    missing.unlink()
    for path, config in zip((missing, empty), configs, strict=True):
        attempt = send(config)
        assert f"its ca_file {path} can't be used" in str(attempt.unreachable)


@pytest.mark.parametrize("password", ["wrong-secret", "geheim-Schlüssel", ""])
def test_a_refused_login_ends_the_mail_and_tells_nobody_the_password(
    mail_drop: MailDropFactory,
    certificate: Certificate,
    caplog: pytest.LogCaptureFixture,
    password: str,
) -> None:
    caplog.set_level(logging.DEBUG)
    drop = mail_drop(security="starttls", certificate=certificate, login=("watch", PASSWORD))
    config = secured_config(
        drop.port, "starttls", ca_file=certificate.ca_file, more='username = "watch"'
    )
    attempt = send(config, password=password)
    assert attempt.refused[OWNER].permanent
    assert "refuses the login of watch" in why(attempt)
    assert ("letters beyond ASCII" in why(attempt)) == (not password.isascii())
    assert not drop.messages
    for text in (why(attempt), caplog.text):
        assert PASSWORD not in text
        assert not password or password not in text


def test_a_server_without_login_does_not_get_the_mail_when_a_login_is_configured() -> None:
    def serve(connection: Connection) -> None:
        connection.say("220 ready")
        while connection.hear():
            connection.say("250 ok")

    with ByteServer(serve) as server:
        config = secured_config(server.port, "none", more='username = "watch"')
        attempt = send(config, password=PASSWORD)
    assert attempt.unreachable is not None
    assert "offers no login" in attempt.unreachable
    assert b"mail" not in server.received.lower()


def test_a_probe_logs_in_and_leaves_no_mail(
    mail_drop: MailDropFactory, certificate: Certificate
) -> None:
    drop = mail_drop(security="starttls", certificate=certificate, login=("watch", PASSWORD))
    config = secured_config(
        drop.port, "starttls", ca_file=certificate.ca_file, more='username = "watch"'
    )
    assert channel(config, password=PASSWORD).probe() == Attempt()
    assert drop.connections == 1
    assert not drop.messages
    drop.stop()
    assert channel(config, password=PASSWORD).probe().unreachable is not None


def test_our_own_name_is_never_looked_up(smtp: MailDrop, monkeypatch: pytest.MonkeyPatch) -> None:
    def hang(*_: object) -> str:
        raise AssertionError("a look-up that can hang for minutes")

    monkeypatch.setattr(socket, "getfqdn", hang)
    monkeypatch.setattr(socket, "gethostbyname", hang)
    assert send(plain_config(smtp.port)).accepted == (OWNER,)
