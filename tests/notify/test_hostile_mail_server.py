"""Whatever a mail server does, in whatever phase: an attempt ends, small, and drops no notice."""

import base64
import hmac
import select
import socket
import ssl
import threading
import tracemalloc
from collections.abc import Callable
from typing import Any

import pytest
from pydantic import SecretStr

from cabinetwatch.config import Config
from cabinetwatch.notify import smtp as wire
from cabinetwatch.notify.channels import EmailChannel
from cabinetwatch.notify.delivery import Attempt, ChannelQueue, Send, carry_out
from cabinetwatch.notify.smtp import Timeouts
from cabinetwatch.store.records import Notice, Outcome
from tests.notify.byte_server import ByteServer, Connection
from tests.notify.test_email_channel import (
    NEIGHBOUR,
    OWNER,
    PASSWORD,
    channel,
    plain_config,
    secured_config,
    send,
    the_notice,
    why,
)
from tests.support.certificates import Certificate
from tests.support.mail import MailDropFactory
from tests.support.patience import WITHIN_S

# For servers that never come to an end; all others may be as slow as the machine is busy.
SHORT = Timeouts(connect_s=0.3, answer_s=0.1, final_s=0.1, goodbye_s=0.05, attempt_s=1.0)
# Only the deadline of the whole can end this.
ONE_DEADLINE = Timeouts(
    connect_s=WITHIN_S, answer_s=WITHIN_S, final_s=0.1, goodbye_s=0.05, attempt_s=0.4
)
MOST_MEMORY = 4_000_000

PHASES = ["greeting", "EHLO", "AUTH", "challenge", "MAIL", "RCPT", "DATA", "content", "QUIT"]
USUAL = {
    "greeting": "220 mail.under-stairs.example",
    "EHLO": "250-mail.under-stairs.example\r\n250-SIZE 1000000\r\n250 AUTH LOGIN",
    "AUTH": "334 VXNlcm5hbWU6",
    "challenge": "334 UGFzc3dvcmQ6",
    "password": "235 2.7.0 ok",
    "MAIL": "250 ok",
    "RCPT": "250 ok",
    "DATA": "354 go on",
    "content": "250 kept",
    "QUIT": "221 bye",
}
Deed = Callable[[Connection], None]


def silence(connection: Connection) -> None:
    connection.hear()


def drip(line: str) -> Deed:
    def deed(connection: Connection) -> None:
        while not connection.hung_up(within_s=0.02):
            connection.say_bytes(line.encode())

    return deed


def flood(chunk: bytes) -> Deed:
    def deed(connection: Connection) -> None:
        while True:
            connection.say_bytes(chunk)

    return deed


def say(*lines: str) -> Deed:
    return lambda connection: connection.say("\r\n".join(lines))


ENDLESS: dict[str, Deed] = {
    "silence": silence,
    "lines that drip": drip("250-wait\r\n"),
    "octets that drip": drip("2"),
}
QUICK: dict[str, Deed] = {
    "flood of lines": flood(b"250-" + b"x" * 400 + b"\r\n"),
    "flood of short lines": flood(b"250-\r\n" * 100),
    "thousands of extensions": say(*["250-X-WHATEVER"] * 40_000, "250 X-LAST"),
    "line without end": flood(b"250 " + b"x" * 4000),
    "overlong line": say("500 " + "x" * 20_000),
    "reset": Connection.reset,
    "nothing more": Connection.close,
    "garbage": say("HTTP/1.1 400 Bad Request"),
    "octets": lambda connection: connection.say_bytes(bytes(range(256)) + b"\n"),
    "a code and another": say("250-first", "550 second"),
    "answers ahead": say("250 ok", "250 ok", "250 ok", "250 ok"),
    "4xx": say("451 4.3.0 later"),
    "5xx": say("554-5.7.1 no", "554 never"),
}
# One method reads every reply, so each phase has one server that drags on and some that flood, to
# show what is made of a reply that failed. Other ways to drag on come once for each limit of time,
# all other answers where the lines of a reply are parsed, and where a mail is in doubt.
DRIPPED_PHASES = ["greeting", "MAIL", "content", "QUIT"]
PARSED_PHASES = ["EHLO", "content"]
EVERYWHERE = ["flood of lines", "nothing more", "answers ahead", "4xx", "5xx"]
# As short as a mail can be: what is in it makes no difference here.
MAIL = b"Subject: NAS\r\n\r\n.\r\n"


def server_that(deed: Deed, phase: str) -> Callable[[Connection], None]:
    """Give a server that is as usual up to a phase."""

    def serve(connection: Connection) -> None:
        def answer(now: str) -> None:
            if now == phase:
                deed(connection)
            else:
                connection.say(USUAL[now])

        answer("greeting")
        while line := connection.hear():
            word = line[:4].decode("latin-1").upper().strip()
            answer(word)
            if word == "AUTH":
                for step in ("challenge", "password"):
                    connection.hear()
                    answer(step)
            if word == "DATA" and phase != "DATA":
                while connection.hear() not in (b".\r\n", b""):
                    pass
                answer("content")

    return serve


WEEK = Notice("week", "email", "summary", 0, 0, ())


def posting(config: Config, mail: bytes, timeouts: Timeouts | None) -> EmailChannel:
    """Give a channel that sends this mail."""
    assert config.notify.email is not None
    password = SecretStr(PASSWORD)
    return EmailChannel(config, config.notify.email, password, timeouts, compose=lambda _: mail)


def attempted(
    deed: Deed, phase: str, timeouts: Timeouts | None = None, to: tuple[str, ...] = (OWNER,)
) -> tuple[Attempt, str]:
    """Try one notice with such a server; give the attempt, and where the outbox then has it."""
    with ByteServer(server_that(deed, phase)) as server:
        more = 'username = "watch"'
        config = secured_config(server.port, "none", more=more)
        carrier, outcomes = posting(config, MAIL, timeouts), list[Outcome]()
        waiting = ChannelQueue(to)
        waiting.add(WEEK, 0)
        job = waiting.next_job(0, 0)
        assert isinstance(job, Send)
        attempt = carry_out(job, waiting, carrier, 0, lambda _, outcome: outcomes.append(outcome))
        return attempt, outcomes[-1].status


@pytest.mark.parametrize(
    ("deed", "phase", "timeouts"),
    [
        *(("silence", phase, SHORT) for phase in PHASES),
        *(("lines that drip", phase, SHORT) for phase in DRIPPED_PHASES),
        *(("octets that drip", phase, SHORT) for phase in DRIPPED_PHASES),
        *(("lines that drip", phase, ONE_DEADLINE) for phase in DRIPPED_PHASES),
    ],
)
def test_a_server_that_never_comes_to_an_end_is_left_in_time(
    deed: str, phase: str, timeouts: Timeouts
) -> None:
    if phase == "QUIT":
        # It comes after the word that counts; the leave has a limit of its own.
        timeouts = Timeouts(goodbye_s=0.2)
    attempt, status = attempted(ENDLESS[deed], phase, timeouts)
    if phase == "QUIT":
        assert attempt == Attempt(accepted=(OWNER,))
        return
    assert status == "waiting"
    assert "does not answer in time" in why(attempt)
    # Before the mail begins nothing of it is lost or in doubt.
    begun = phase in ("MAIL", "RCPT", "DATA", "content")
    assert attempt.connection_lost == begun
    assert (attempt.unreachable is None) == begun
    assert attempt.in_doubt == (phase == "content")


@pytest.mark.parametrize(
    ("deed", "phase"),
    [(deed, at) for deed in QUICK for at in (PHASES if deed in EVERYWHERE else PARSED_PHASES)],
)
def test_a_notice_is_done_with_only_by_a_real_yes_or_a_real_never(deed: str, phase: str) -> None:
    tracemalloc.start()
    try:
        attempt, status = attempted(QUICK[deed], phase)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < MOST_MEMORY
    if phase == "QUIT":
        assert status == "delivered"
    elif (deed, phase) == ("answers ahead", "content"):
        # It has said yes before it said anything that nobody asked for.
        assert status == "delivered"
    elif deed == "5xx":
        assert status == "failed"
        assert "554 5.7.1 no never" in why(attempt)
    else:
        assert status == "waiting"
        assert attempt.accepted == ()
        assert attempt.in_doubt == (phase == "content" and deed != "4xx")


@pytest.mark.parametrize("chunk", [b"220-" + b"x" * 500 + b"\r\n", b"220 " + b"x" * 5000])
def test_a_greeting_without_end_is_told_as_what_it_is(chunk: bytes) -> None:
    attempt, _ = attempted(flood(chunk), "greeting")
    assert "no end to it" in why(attempt) or "a line of over 12288 octets" in why(attempt)


def test_an_answer_that_is_none_is_quoted() -> None:
    attempt, _ = attempted(say("\x1b[2JHTTP/1.1 400"), "greeting")
    assert r'it answers "\x1b[2JHTTP/1.1 400", which is no answer of a mail server' in why(attempt)


def handshake(deed: Deed) -> Callable[[Connection], None]:
    """Give a server that offers STARTTLS and then does something else."""

    def serve(connection: Connection) -> None:
        connection.say("220 ready")
        connection.hear()
        connection.say("250-here\r\n250 STARTTLS")
        connection.hear()
        connection.say("220 go on")
        deed(connection)

    return serve


def hanging_handshake(connection: Connection) -> None:
    while not connection.hung_up(within_s=WITHIN_S) or connection.hear():
        pass


def dripping_handshake(connection: Connection) -> None:
    # Handshake records of TLS (RFC 8446 section 5.1) that never come to their end.
    connection.say_bytes(b"\x16\x03\x03\x3f\xff\x02\x00\x3f\xfb")
    try:
        while True:
            connection.say_bytes(b"\x03")
            threading.Event().wait(0.02)
    except OSError:
        return


@pytest.mark.parametrize("deed", [hanging_handshake, dripping_handshake])
@pytest.mark.parametrize("security", ["tls", "starttls"])
@pytest.mark.parametrize("timeouts", [SHORT, ONE_DEADLINE], ids=["each answer", "the whole"])
def test_a_handshake_that_hangs_or_drips_is_left_in_time(
    deed: Deed, security: str, timeouts: Timeouts
) -> None:
    serve = deed if security == "tls" else handshake(deed)
    with ByteServer(serve) as server:
        config = secured_config(server.port, security)
        attempt = send(config, timeouts)
    assert "does not answer in time" in str(attempt.unreachable)


def test_what_is_said_ahead_of_tls_is_never_taken_for_something_said_under_it() -> None:
    def serve(connection: Connection) -> None:
        connection.say("220 ready")
        connection.hear()
        connection.say("250-here\r\n250 STARTTLS")
        connection.hear()
        connection.say("220 go on\r\n250 AUTH PLAIN")
        connection.hear()

    with ByteServer(serve) as server:
        config = secured_config(server.port, "starttls")
        attempt = send(config)
    assert "it answers before it is asked" in str(attempt.unreachable)


def test_a_resolver_that_hangs_is_waited_for_in_time_and_by_one_thread(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    answer = threading.Event()
    asked = []
    real = socket.getaddrinfo

    def hang(host: str, *arguments: Any, **options: Any) -> Any:
        asked.append(host)
        answer.wait(WITHIN_S)
        return real("127.0.0.1", *arguments, **options)

    monkeypatch.setattr(socket, "getaddrinfo", hang)
    with ByteServer(server_that(silence, "nowhere")) as server:
        config = secured_config(server.port, "none", host="hanging.under-stairs.example")
        for timeouts in (SHORT, ONE_DEADLINE, SHORT):
            attempt = send(config, timeouts)
            assert "the resolver does not answer in time" in str(attempt.unreachable)
        # What comes late is good for the next who asks.
        answer.set()
        assert send(config).accepted == (OWNER,)
    assert asked == ["hanging.under-stairs.example"]


def full_listener(family: socket.AddressFamily, address: str) -> list[socket.socket]:
    """Give a listener that takes nobody, with those who fill its queue: connecting to it hangs."""
    listener = socket.create_server((address, 0), family=family, backlog=0)
    held = [listener]
    while True:
        sock = socket.socket(family)
        sock.setblocking(False)
        held.append(sock)
        sock.connect_ex(listener.getsockname()[:2])
        if not select.select([], [sock], [], 0.2)[1]:
            return held


def test_addresses_that_hang_leave_time_for_those_that_answer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    held = full_listener(socket.AF_INET, "127.0.0.1")
    hanging = (socket.AF_INET, socket.SOCK_STREAM, 6, "", held[0].getsockname())
    with ByteServer(server_that(silence, "nowhere")) as server:
        answers = (socket.AF_INET, socket.SOCK_STREAM, 6, "", ("127.0.0.1", server.port))
        config = secured_config(server.port, "none", host="two.under-stairs.example")
        for found, delivered in (([hanging, hanging], False), ([hanging, answers], True)):
            monkeypatch.setattr(socket, "getaddrinfo", lambda *_, found=found, **__: found)
            timeouts = SHORT if not delivered else Timeouts(connect_s=1.0)
            attempt = send(config, timeouts)
            assert bool(attempt.accepted) == delivered
            assert delivered or "does not answer in time" in str(attempt.unreachable)
    for sock in held:
        sock.close()


def test_both_kinds_of_address_get_their_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    sixes = [
        (socket.AF_INET6, socket.SOCK_STREAM, 6, "", (f"2001:db8::{number}", 25, 0, 0))
        for number in range(20)
    ]
    four = (socket.AF_INET, socket.SOCK_STREAM, 6, "", ("192.0.2.1", 25))
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: [*sixes, four])
    found = wire._looked_up("many.under-stairs.example", 25, until=float("inf"))
    assert [address[3][0] for address in found[:3]] == ["2001:db8::0", "192.0.2.1", "2001:db8::1"]
    assert len(found) == 8


def test_a_server_that_takes_nothing_of_a_long_mail_is_left_in_time() -> None:
    def serve(connection: Connection) -> None:
        connection.say("220 ready")
        for _ in range(3):
            connection.hear()
            connection.say("250 ok")
        connection.hear()
        connection.say("354 go on")
        gone.wait(WITHIN_S)

    gone = threading.Event()
    with ByteServer(serve) as server:
        long = b"x" * 60 + b"\r\n" + b"y" * 20_000_000
        attempt = posting(plain_config(server.port), long, Timeouts(final_s=0.3)).send(
            WEEK, (OWNER,)
        )
        gone.set()
    assert attempt.in_doubt
    assert "does not answer in time" in why(attempt)


def test_an_address_at_which_the_server_falls_silent_keeps_the_mail_from_nobody_else() -> None:
    mails: list[bytes] = []

    def serve(connection: Connection) -> None:
        connection.say("220 ready")
        recipients = b""
        while line := connection.hear():
            if OWNER.encode() in line and line[:4].upper() == b"RCPT":
                connection.hear()
                return
            recipients += line if line[:4].upper() == b"RCPT" else b""
            connection.say("354 go on" if line.upper() == b"DATA\r\n" else "250 ok")
            if line.upper() == b"DATA\r\n":
                while connection.hear() != b".\r\n":
                    pass
                mails.append(recipients)
                connection.say("250 kept")

    with ByteServer(serve) as server:
        config = plain_config(server.port, OWNER, NEIGHBOUR)
        carrier = channel(config, Timeouts(answer_s=1.0))
        notice = the_notice(config)
        left: tuple[str, ...] = (OWNER, NEIGHBOUR)
        for _ in range(3):
            attempt = carrier.send(notice, left)
            assert {*attempt.accepted, *attempt.refused} == {*left}
            assert not any(refusal.permanent for refusal in attempt.refused.values())
            left = tuple(each for each in left if each not in attempt.accepted)
    assert left == (OWNER,)
    (mail,) = mails
    assert NEIGHBOUR.encode() in mail


@pytest.mark.parametrize("answer", ["250 ok", "451 later"])
def test_who_is_through_gets_the_mail_however_slow_the_others_are(
    monkeypatch: pytest.MonkeyPatch, answer: str
) -> None:
    now = 0.0
    monkeypatch.setattr(
        "cabinetwatch.notify.smtp.SmtpSession.time_is_short", property(lambda _: now > 0)
    )

    def serve(connection: Connection) -> None:
        nonlocal now
        connection.say("220 ready")
        while line := connection.hear():
            is_first = line[:4].upper() == b"RCPT" and OWNER.encode() in line
            now += is_first
            usual = "354 go on" if line.upper() == b"DATA\r\n" else "250 ok"
            connection.say(answer if is_first else usual)
            if line.upper() == b"DATA\r\n":
                while connection.hear() != b".\r\n":
                    pass
                connection.say("250 kept")

    with ByteServer(serve) as server:
        config = plain_config(server.port, OWNER, NEIGHBOUR)
        attempt = channel(config).send(the_notice(config), (OWNER, NEIGHBOUR))
    # Where the first is refused there is nobody for whose sake the second would have to wait.
    accepted, left = (OWNER, NEIGHBOUR) if answer == "250 ok" else (NEIGHBOUR, OWNER)
    assert attempt.accepted == (accepted,)
    assert not attempt.refused[left].permanent


@pytest.mark.parametrize("mechanism", ["PLAIN", "LOGIN", "CRAM-MD5"])
def test_a_password_beyond_ascii_goes_out_in_utf_8(mechanism: str) -> None:
    # RFC 4616 section 2: message = [authzid] UTF8NUL authcid UTF8NUL passwd.
    password = "unter-Stufe-Schlüssel"
    heard: list[bytes] = []

    def serve(connection: Connection) -> None:
        connection.say("220 ready")
        connection.hear()
        connection.say(f"250-here\r\n250 AUTH {mechanism}")
        line = connection.hear()
        for _ in range({"PLAIN": 0, "LOGIN": 2, "CRAM-MD5": 1}[mechanism]):
            connection.say("334 VXNlcm5hbWU6")
            line = connection.hear()
        heard.append(base64.b64decode(line.split()[-1]))
        connection.say("535 5.7.8 wrong")
        connection.hear()

    with ByteServer(serve) as server:
        config = secured_config(server.port, "none", more='username = "watch"')
        attempt = send(config, password=password)
    digest = hmac.new(password.encode(), b"Username:", "md5").hexdigest()
    expected = {"PLAIN": f"\0watch\0{password}", "LOGIN": password, "CRAM-MD5": f"watch {digest}"}[
        mechanism
    ]
    assert heard == [expected.encode()]
    assert "letters beyond ASCII" in why(attempt)
    assert password not in why(attempt)


def test_a_challenge_of_cram_md5_is_answered_as_in_its_specification() -> None:
    # The example of RFC 2195 section 2.
    challenge = base64.b64encode(b"<1896.697170952@postoffice.reston.mci.net>").decode()
    heard: list[bytes] = []

    def serve(connection: Connection) -> None:
        connection.say("220 ready")
        connection.hear()
        connection.say("250-here\r\n250 AUTH PLAIN CRAM-MD5")
        connection.hear()
        connection.say(f"334 {challenge}")
        heard.append(base64.b64decode(connection.hear()))
        connection.say("454 4.7.0 later")
        connection.hear()

    with ByteServer(serve) as server:
        config = secured_config(server.port, "none", more='username = "tim"')
        attempt = send(config, password="tanstaaftanstaaf")
    assert heard == [b"tim b913a602c7eda7a495b4e6e7334d3890"]
    assert "454" in str(attempt.unreachable)


@pytest.mark.parametrize(
    ("challenge", "sentence"),
    [
        ("334 VXNlcm5hbWU6", "it asks for the login again and again"),
        ("334 a", "its challenge at the login is no base64"),
    ],
)
def test_a_login_that_leads_nowhere_is_left(challenge: str, sentence: str) -> None:
    def serve(connection: Connection) -> None:
        connection.say("220 ready")
        connection.hear()
        connection.say("250-here\r\n250 AUTH PLAIN LOGIN")
        while connection.hear():
            connection.say(challenge)

    with ByteServer(serve) as server:
        config = secured_config(server.port, "none", more='username = "watch"')
        attempt = send(config, password=PASSWORD)
    assert sentence in str(attempt.unreachable)


def test_a_login_beyond_ascii_is_taken_by_a_server_that_can(
    mail_drop: MailDropFactory, certificate: Certificate
) -> None:
    password = "unter-Stufe-Schlüssel"
    drop = mail_drop(security="starttls", certificate=certificate, login=("wächter", password))
    config = secured_config(
        drop.port, "starttls", ca_file=certificate.ca_file, more='username = "wächter"'
    )
    assert send(config, password=password).accepted == (OWNER,)


@pytest.mark.parametrize("security", ["none", "starttls"])
def test_a_server_that_wants_tls_first_is_told_with_the_remedy(
    certificate: Certificate, security: str
) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate.cert_file, certificate.key_file)

    def serve(connection: Connection) -> None:
        connection.secure(context)

    with ByteServer(serve) as server:
        config = secured_config(server.port, security)
        # To connect takes as long as it takes: of its silence alone it must have had enough.
        attempt = send(config, SHORT._replace(connect_s=WITHIN_S, attempt_s=WITHIN_S))
    sentence = str(attempt.unreachable)
    assert 'as on port 465, set security = "tls"' in sentence
