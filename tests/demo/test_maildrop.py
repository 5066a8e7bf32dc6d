"""The mail drop takes mail from a real SMTP client and keeps it."""

import smtplib
import socket
import threading
from email.message import EmailMessage
from pathlib import Path

import pytest

from cabinetwatch.demo.servers import DroppedMail, MailDrop
from tests.support.patience import WITHIN_S


def send(drop: MailDrop, subject: str) -> None:
    """Send one mail the way the watch does."""
    message = EmailMessage()
    message["From"] = "watch@house.example"
    message["To"] = "owner@house.example"
    message["Subject"] = subject
    message.set_content("37 \N{DEGREE SIGN}C\n")
    with smtplib.SMTP(drop.host, drop.port, timeout=WITHIN_S) as client:
        client.send_message(message)


def test_each_mail_becomes_a_file_and_a_call(tmp_path: Path) -> None:
    called: list[DroppedMail] = []
    with MailDrop(tmp_path / "mails", called.append) as drop:
        send(drop, "first")
        send(drop, "second")
        assert drop.wait_for(2, WITHIN_S)

    assert [mail.path.name for mail in drop.mails] == ["001.eml", "002.eml"]
    assert [mail.message["Subject"] for mail in called] == ["first", "second"]
    assert b"Subject: first" in (tmp_path / "mails" / "001.eml").read_bytes()


def test_waiting_for_a_mail_that_does_not_come_ends(tmp_path: Path) -> None:
    with MailDrop(tmp_path) as drop:
        assert not drop.wait_for(1, 0.01)


def test_a_folder_that_cannot_be_made_is_an_error_of_the_caller(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(NotADirectoryError), MailDrop(tmp_path / "file" / "mails"):
        pass


def test_the_port_is_closed_and_no_thread_left_afterwards(tmp_path: Path) -> None:
    before = threading.active_count()
    with MailDrop(tmp_path) as drop:
        send(drop, "one")
    assert threading.active_count() == before
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((drop.host, drop.port), timeout=WITHIN_S)
