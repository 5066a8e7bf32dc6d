"""What is mailed when the service fails: at most once an hour, without the daemon."""

import logging
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from cabinetwatch.service.guard import failure_mail, tell_failure
from cabinetwatch.text import ConfigError
from cabinetwatch.watch.conditions import load_config_for_mail
from tests.service.mails import part
from tests.service.site import Site
from tests.support.forked import ROOT
from tests.support.mail import MailDrop


def tell(site: Site, stamp: Path) -> bool:
    """Do what the command does, in this process: a new one takes seconds to begin."""
    config = load_config_for_mail(site.path)
    return tell_failure(config, "cabinetwatch.service", stamp, 1.0)


def test_a_failure_is_mailed_with_its_reason_and_again_only_after_an_hour(
    site: Site, smtp: MailDrop, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    site.write()
    stamp = tmp_path / "told"
    # As the unit does, but for a shorter patience.
    command = [sys.executable, "-m", "cabinetwatch", "failed", "--config", str(site.path)]
    environment = os.environ | {"MONITOR_SERVICE_RESULT": "watchdog"}
    command += ["--stamp", str(stamp), "--for", "1s"]
    subprocess.run(command, cwd=ROOT, env=environment, check=True, timeout=300)
    with caplog.at_level(logging.INFO):
        assert tell(site, stamp)
    assert "told less than an hour ago" in caplog.text
    assert len(smtp.messages) == 1

    an_hour_ago = time.time() - 3601
    os.utime(stamp, (an_hour_ago, an_hour_ago))
    assert tell(site, stamp)

    first, second = (mail.message for mail in smtp.messages)
    assert first["Subject"] == "under-stairs cabinet: THE WATCH HAS FAILED"
    text = " ".join(part(first, "plain").split())
    assert "cabinetwatch.service on the computer" in text
    assert "a part of it hung and systemd has ended it" in text
    assert "has failed. systemd starts it again" in " ".join(part(second, "plain").split())


def test_two_at_once_mail_once(site: Site, smtp: MailDrop, tmp_path: Path) -> None:
    site.write()
    threads = [threading.Thread(target=tell, args=(site, tmp_path / "told")) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(smtp.messages) == 1


def test_a_stamp_from_the_future_silences_nothing(
    site: Site, smtp: MailDrop, tmp_path: Path
) -> None:
    site.write()
    stamp = tmp_path / "told"
    stamp.write_text("told\n")
    tomorrow = time.time() + 86_400
    os.utime(stamp, (tomorrow, tomorrow))
    assert tell(site, stamp)
    assert len(smtp.messages) == 1


def test_a_mail_that_was_not_taken_leaves_no_stamp(
    site: Site, smtp: MailDrop, tmp_path: Path
) -> None:
    site.write()
    stamp = tmp_path / "told"
    smtp.refuse("451 4.3.0 try later")
    assert not tell(site, stamp)
    smtp.behave()
    assert tell(site, stamp)
    assert len(smtp.messages) == 1


@pytest.mark.parametrize(
    ("stamp", "reason"),
    [("missing/told", "No such file or directory"), ("/dev/full", "No space left on device")],
)
def test_a_stamp_that_cannot_be_kept_stops_no_mail(
    stamp: str,
    reason: str,
    site: Site,
    smtp: MailDrop,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
) -> None:
    site.write()
    assert tell(site, tmp_path / stamp)
    assert f"can't be kept ({reason})" in caplog.text
    assert len(smtp.messages) == 1


@pytest.mark.parametrize(
    "fault", ['[sensors.attic]\nquantity = "heat"\n', "[no-such-table]\n", "[devices.x]\n"]
)
def test_the_very_configuration_that_stops_the_watch_still_says_whom_to_tell(
    fault: str, site: Site, smtp: MailDrop, tmp_path: Path
) -> None:
    site.tables += fault
    site.write()
    assert tell(site, tmp_path / "told")
    assert smtp.messages[0].recipients == ["owner@under-stairs.example"]


PEOPLE = """
[notify.people.kim]
mail = "kim@under-stairs.example"
away = ["2000-01-01/2999-12-31"]
[notify.people.robin]
mail = "robin@under-stairs.example"
after = "30m"
[notify.people.sasha]
mail = "sasha@under-stairs.example"
priorities = ["low"]
"""


@pytest.mark.parametrize(
    ("fault", "told"),
    [("", ["owner", "robin"]), ('[notify.people.lee]\nmail = "nobody"\n', ["owner", "robin"])],
)
def test_of_people_those_are_told_at_once_who_take_high_alarms_and_are_there(
    fault: str, told: list[str], site: Site, smtp: MailDrop, tmp_path: Path
) -> None:
    site.tables += PEOPLE + fault
    site.write()
    assert tell(site, tmp_path / "told")
    assert smtp.messages[0].recipients == [f"{name}@under-stairs.example" for name in told]
    assert smtp.messages[0].message["To"] == ", ".join(smtp.messages[0].recipients)


def test_a_site_table_that_is_faulty_costs_the_name_alone(
    site: Site, smtp: MailDrop, tmp_path: Path
) -> None:
    path = site.write()
    path.write_text(path.read_text().replace("[site]", "[site]\naltitude_m = true"))
    assert tell(site, tmp_path / "told")
    assert smtp.messages[0].message["Subject"] == "home: THE WATCH HAS FAILED"


@pytest.mark.parametrize("text", ["[notify.email]\nhost = 3\n", "", "[notify", "notify = 3\n"])
def test_a_file_that_does_not_say_whom_to_tell_is_refused_in_sentences(
    text: str, site: Site, tmp_path: Path
) -> None:
    site.path.write_text(text)
    with pytest.raises(ConfigError, match=f"{site.path}: "):
        tell(site, tmp_path / "told")


def test_a_result_that_is_not_known_is_named(site: Site) -> None:
    mail = failure_mail(site.config(), "a.service", {"MONITOR_SERVICE_RESULT": "start-limit"}, 0)
    assert "systemd calls it start-limit" in mail.paragraphs[0]
