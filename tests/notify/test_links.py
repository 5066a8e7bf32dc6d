"""Links in mails: what they grant, how long, that nobody makes one up, and the key they rest on."""

import base64
import os
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from cabinetwatch.config.model import Config
from cabinetwatch.notify.links import (
    LASTS_MS,
    Grant,
    NoKeyError,
    link_key_path,
    make_key,
    read_grant,
    read_key,
    sign,
    signature,
)
from cabinetwatch.notify.mail import build_message
from cabinetwatch.notify.plan import plan, plan_test
from cabinetwatch.store.records import Notice
from cabinetwatch.watch.events import OVER, Account
from tests.notify.samples import NOON_MS, account, make_config, returned, transition

KEY = bytes(range(32))
OWNER = "owner@under-stairs.example"
URL = "http://cabinet.local:8080"


def config_of(folder: Path, actions: str = "true", **more: Any) -> Config:
    store = f'[store]\nurl = "sqlite:///{folder}/watch.db"\n'
    return make_config(f'{store}[page]\nurl = "{URL}"\nactions = {actions}\n', **more)


def notice_of(config: Config) -> Notice:
    return next(each for each in plan([transition()], config) if each.channel == "email")


def links(notice: Notice, config: Config, now: Account | None = None, **more: Any) -> list[str]:
    """Give the links of a mail, which its two parts must have alike."""
    email = config.notify.email
    assert email is not None
    present = None if now is None else {now.id: now}.get
    text, html = build_message(notice, config, email, present, **more).iter_parts()
    found = re.findall(r'<a href="([^"]+)"', html.get_content())
    assert re.findall(r"^  (http\S+)$", text.get_content(), re.MULTILINE) == found
    return found


def test_with_an_address_alone_a_mail_leads_to_the_page(tmp_path: Path) -> None:
    config = config_of(tmp_path, "false")
    notice = notice_of(config)
    assert links(notice, config) == [f"{URL}/#incident-{notice.transitions[0].id}"]
    assert links(notice, make_config()) == []


def test_a_link_is_good_for_a_day_from_when_the_mail_is_made_and_says_for_whom(
    tmp_path: Path,
) -> None:
    config = config_of(tmp_path, to=(OWNER, "other@under-stairs.example"))
    make_key(tmp_path / "watch.db")
    notice, raised = notice_of(config), transition()
    later = account(raised, time_ms=NOON_MS + 3_600_000)

    def grant(now: Account | None, **more: Any) -> Grant | None:
        (link,) = links(notice, config, now, **more)
        assert link.startswith(f"{URL}/act/")
        return read_grant(read_key(tmp_path / "watch.db"), link.removeprefix(f"{URL}/act/"))

    everybody = f"{OWNER} or other@under-stairs.example"
    assert grant(None) == (raised.id, NOON_MS + LASTS_MS, everybody)
    assert grant(later) == (raised.id, NOON_MS + 3_600_000 + LASTS_MS, everybody)
    assert grant(None, to=[OWNER]) == (raised.id, NOON_MS + LASTS_MS, OWNER)


def test_what_is_over_and_a_test_have_no_link(tmp_path: Path) -> None:
    config = config_of(tmp_path)
    make_key(tmp_path / "watch.db")
    assert links(notice_of(config), config, replace(account(transition()), state=OVER)) == []
    back = next(each for each in plan([returned(transition())], config) if each.channel == "email")
    assert links(back, config) == []
    assert links(next(iter(plan_test(config, NOON_MS, NOON_MS))), config) == []


def test_without_its_key_a_mail_goes_out_without_its_link_and_the_log_says_why(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    config = config_of(tmp_path)
    assert links(notice_of(config), config) == []
    key = link_key_path(tmp_path / "watch.db")
    (said,) = {record.getMessage() for record in caplog.records}
    absent = "can't be read (No such file or directory)"
    assert said == f"a mail goes out without its link: the key of links, {key}, {absent}"


def test_the_key_is_made_once_closed_to_others_and_anew_where_it_is_damaged(
    tmp_path: Path,
) -> None:
    store = tmp_path / "watch.db"
    path = link_key_path(store)
    # What a maker that was killed has left is in nobody's way.
    path.with_name(f".{path.name}.abcd_123.part").write_text("half")
    before = os.umask(0)
    try:
        make_key(store)
    finally:
        os.umask(before)
    assert path.stat().st_mode & 0o777 == 0o600
    assert [each.name for each in tmp_path.iterdir()] == [path.name]
    first = read_key(store)
    make_key(store)
    assert read_key(store) == first
    for damage in ("", "abc\n", "zz" * 32, "\x00" * 65):
        path.write_text(damage)
        with pytest.raises(NoKeyError, match="is damaged; the watch makes another"):
            read_key(store)
    make_key(store)
    assert read_key(store) != first
    path.chmod(0o604)
    with pytest.raises(NoKeyError, match="is open to every user of this machine"):
        read_key(store)
    with pytest.raises(NoKeyError, match="can't be written to"):
        make_key(tmp_path / "absent" / "watch.db")


@given(st.text("0123456789abcdef", min_size=1), st.integers(0, 2**45), st.text())
@example("1nc1dent", 0, "a\nb\nc")
def test_what_was_signed_is_read_back_and_by_no_other_key(
    incident: str, until_ms: int, who: str
) -> None:
    grant = Grant(incident, until_ms, who.encode("utf-8", "replace").decode())
    signed = sign(KEY, grant)
    assert re.fullmatch(r"[A-Za-z0-9_.-]+", signed)
    if len(signed) < 1000:
        assert read_grant(KEY, signed) == grant
    assert read_grant(bytes(32), signed) is None


@given(st.text() | st.text("ABab01-_=."))
@example("MWZmCg.")
@example(base64.urlsafe_b64encode(b"no\nnumber\nx").decode() + "." + signature(KEY, "grant", "x"))
def test_no_letters_that_nobody_signed_are_a_grant(letters: str) -> None:
    assert read_grant(KEY, letters) is None


def test_no_letter_of_a_grant_can_be_changed_or_added() -> None:
    signed = sign(KEY, Grant("1nc1dent", 1_795_000_000_000, OWNER))
    for place, letter in enumerate(signed):
        for other in {"A", "B", "-", ".", "="} - {letter}:
            assert read_grant(KEY, signed[:place] + other + signed[place + 1 :]) is None
    assert read_grant(KEY, f"{signed}A") is None
    assert read_grant(KEY, f"{signed}=") is None
    # The parts of a signature can't be shifted against each other.
    assert signature(KEY, "ab", "c") != signature(KEY, "a", "bc")
