"""A mail server that is slow or can't be trusted holds up nothing, and its fault is told."""

import threading

import pytest

from cabinetwatch.watch.conditions import load_config
from tests.faults.watched import TABLES, drive_over_threshold, mailed, wait_mailed
from tests.service.site import NAS, Site
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire
from tests.support.certificates import make_certificate
from tests.support.mail import MailDrop, MailDropFactory

AT_ONCE = "[alarms.notice-undelivered]\non_delay_s = 0\n"


def test_a_mail_server_that_accepts_slowly_gets_each_mail_once_and_delays_nothing_else(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    site.tables = TABLES
    smtp.behaviour.slow_s = 0.3
    smtp.behaviour.pause = threading.Event()
    with watching(site.config()):
        cabinet.wait_online()
        # Not acknowledged in between, so that both are one occurrence.
        alarm = drive_over_threshold(cabinet)
        assert drive_over_threshold(cabinet) == alarm
        # Told over MQTT while the first mail is under way.
        assert smtp.messages == []
        smtp.behaviour.pause.set()
        wait_mailed(smtp, alarm, 4)
        wait_until(lambda: not _waiting(site), "the outbox to be empty")

    assert mailed(smtp, alarm) == 4


def _waiting(site: Site) -> bool:
    with site.store() as store:
        return bool(store.waiting())


@pytest.mark.parametrize(
    ("issued_in_days", "trusted", "reason"),
    [
        (0, False, "signed by nobody among the authorities in"),
        (10, True, "is not valid yet: this machine's clock says"),
        (-10, True, "has expired: this machine's clock says"),
    ],
)
def test_a_certificate_that_does_not_hold_is_told_with_its_reason_and_no_mail_goes_out(
    issued_in_days: int,
    trusted: bool,
    reason: str,
    site: Site,
    cabinet: Wire,
    mail_drop: MailDropFactory,
) -> None:
    made = make_certificate(site.folder / "server", issued_in_days=issued_in_days)
    stranger = make_certificate(site.folder / "stranger")
    drop = mail_drop(security="tls", certificate=made)
    site.mail_port = drop.port
    site.tables = TABLES + AT_ONCE
    path = site.write()
    ca_file = made.ca_file if trusted else stranger.ca_file
    secured = f'security = "tls"\nca_file = "{ca_file}"'
    path.write_text(path.read_text().replace('security = "none"', secured))
    with watching(load_config(path)):
        cabinet.wait_online()
        cabinet.publish(NAS, "55")
        told = cabinet.wait_transition("site", "notice-undelivered", "unacknowledged")

    assert reason in told["text"]
    assert drop.messages == []
    with site.store() as store:
        assert "email" in [notice.channel for notice, _ in store.waiting()]
