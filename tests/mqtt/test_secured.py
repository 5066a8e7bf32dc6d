"""Login and TLS against a real broker."""

import logging
from collections.abc import Callable
from pathlib import Path

import pytest
from pydantic import SecretStr

from tests.mqtt.support import Ear, flushed, session, wait_subscribed
from tests.support.broker import Broker, BrokerFactory
from tests.support.certificates import Certificate, make_certificate


def test_a_refused_login_is_told_with_its_reason_and_tried_again(mosquitto: BrokerFactory) -> None:
    broker = mosquitto(passwords={"watch": "right"})
    ear = Ear()
    with session(broker.port, [], ear, username="watch", secret=SecretStr("wrong")):
        down = ear.wait_down()
    assert "did not let us in" in down.reason
    assert "username or password_file" in down.reason
    ear = Ear()
    with session(broker.port, [], ear, username="watch", secret=SecretStr("right")):
        ear.wait_up()
    ear = Ear()
    with session(
        broker.port, [], ear, username="watch", secret=SecretStr("wrong"), protocol="3.1.1"
    ):
        assert "did not let us in" in ear.wait_down().reason


def test_the_password_is_in_no_log(
    mosquitto: BrokerFactory, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    broker = mosquitto(passwords={"watch": "right"})
    ear = Ear()
    with session(broker.port, [], ear, username="watch", secret=SecretStr("sesame-wrong")):
        ear.wait_down()
    assert "sesame" not in caplog.text
    assert "did not let us in" in caplog.text


def test_tls_with_the_right_authority_connects(
    mosquitto: BrokerFactory, certificate: Certificate
) -> None:
    broker = mosquitto(certificate=certificate)
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear, tls=True, ca_file=certificate.ca_file) as made:
        wait_subscribed(made)
        with _tls_publishing(broker, certificate) as publish:
            publish(b"x" * 100_000)
            publish(b"21.5")
        messages = ear.wait_messages(2)
    assert [len(message.payload) for message in messages] == [100_000, 4]


@pytest.mark.parametrize("version", ["tlsv1.2", "tlsv1.3"])
def test_a_broker_that_wants_a_client_certificate_is_told_with_what_to_give(
    mosquitto: BrokerFactory, certificate: Certificate, version: str
) -> None:
    lines = ["require_certificate true", f"tls_version {version}"]
    broker = mosquitto(certificate=certificate, config_lines=lines)
    ear = Ear()
    with session(broker.port, [], ear, tls=True, ca_file=certificate.ca_file):
        down = ear.wait_down()
    assert "wants a client certificate, give cert_file and key_file in [mqtt]" in down.reason


class _tls_publishing:  # noqa: N801 - used like the function it stands for
    """Publish over TLS by a session of its own."""

    def __init__(self, broker: Broker, certificate: Certificate) -> None:
        self._ear = Ear()
        self._session = session(
            broker.port, [], self._ear, tls=True, ca_file=certificate.ca_file, client_id="sender"
        )

    def __enter__(self) -> Callable[[bytes], None]:
        made = self._session.__enter__()
        self._ear.wait_up()

        def publish(payload: bytes) -> None:
            made.publish("cabinet/air", payload)
            flushed(made)

        return publish

    def __exit__(self, *error: object) -> None:
        self._session.__exit__(None, None, None)


def test_a_certificate_that_is_not_valid_yet_points_at_the_clock(
    mosquitto: BrokerFactory, tmp_path: Path
) -> None:
    """A machine without a battery clock wakes in the past; seen from there it looks like this."""
    to_come = make_certificate(tmp_path / "to-come", issued_in_days=10)
    broker = mosquitto(certificate=to_come)
    ear = Ear()
    with session(broker.port, [], ear, tls=True, ca_file=to_come.ca_file):
        down = ear.wait_down()
    assert "its certificate is not valid yet: this machine's clock says" in down.reason
    assert "set the clock" in down.reason


def test_tls_with_the_wrong_authority_is_refused_with_a_sentence(
    mosquitto: BrokerFactory, certificate: Certificate, tmp_path: Path
) -> None:
    broker = mosquitto(certificate=certificate)
    stranger = make_certificate(tmp_path / "stranger")
    ear = Ear()
    with session(broker.port, [], ear, tls=True, ca_file=stranger.ca_file) as made:
        down = ear.wait_down()
        assert not made.connected
    assert f"signed by nobody among the authorities in {stranger.ca_file}" in down.reason


def test_tls_is_never_dropped_for_a_broker_that_speaks_plainly(
    broker: Broker, certificate: Certificate
) -> None:
    ear = Ear()
    with session(broker.port, [], ear, tls=True, ca_file=certificate.ca_file) as made:
        down = ear.wait_down()
        assert not made.connected
    assert "can't be reached" in down.reason
    # Nothing that a broker could take for a login came in the clear.
    assert "New client connected" not in broker.log
