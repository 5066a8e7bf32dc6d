"""Acting through the page: by whom, from where, once; and whatever else is tried does nothing."""

import os
import re
import socket
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from dataclasses import replace
from datetime import datetime
from http import HTTPStatus
from pathlib import Path
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import pytest

from cabinetwatch.clock import SystemClock
from cabinetwatch.config.model import Config
from cabinetwatch.notify.links import LASTS_MS, link_key_path
from cabinetwatch.report import page_server
from cabinetwatch.report.actions import Rate, Request, Response, choices_of
from cabinetwatch.report.page_server import MOST_AT_ONCE, ChartDrawer, PageServer, PageSource
from cabinetwatch.store.place import WriterLock
from cabinetwatch.store.replay import ask_watch
from cabinetwatch.store.store import Store
from cabinetwatch.text import from_rfc3339
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import Account, Priority
from tests.notify.samples import transition
from tests.report.acting import acting
from tests.report.serving import Serving
from tests.service.mails import part
from tests.service.site import NAS, OWNER, Site
from tests.service.watching import cabinetwatch
from tests.service.wire import Wire
from tests.support.house import House, build
from tests.support.mail import MailDrop
from tests.support.patience import WITHIN_S

OTHER_KEY = bytes(32)


def is_refused(got: object, status: int, words: str) -> None:
    """Check an answer that says that nothing was done, and why, and is a whole page."""
    assert isinstance(got, tuple)
    assert (got[0], words in got[2]) == (status, True), got
    assert got[2].endswith("</html>")


def test_whoever_has_no_good_link_or_comes_from_elsewhere_gets_an_answer_and_nothing_done(
    site: Site, cabinet: Wire, smtp: MailDrop, serving: Serving
) -> None:
    with acting(site, cabinet, smtp, serving) as watch:
        link = watch.link()
        # A mail scanner follows it, as often as it likes, and asks for what else there is.
        for method in ("GET", "HEAD", "GET"):
            assert watch.ask(link, method=method).status == 200
        good = watch.form(link, "seen")
        for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
            got = watch.ask(link, good, method=method)
            assert (got.status, got.headers["Allow"]) == (405, "GET, HEAD, POST")
        assert watch.ask("/", good).status == 405
        # Forged, or signed by another watch's key; and its time is over.
        for path in (f"{link[:-2]}xx", f"{link}=", "/act/", "/act/x.y", "/act/%E9.%00"):
            is_refused(watch.ask(path, good), 403, "This link is not valid.")
        is_refused(watch.ask(watch.signed(key=OTHER_KEY), good), 403, "This link is not valid.")
        late = watch.signed(late_ms=LASTS_MS + 1)
        is_refused(watch.ask(late), 410, "This link was good until")
        is_refused(watch.ask(late, good), 410, "This link was good until")
        # Of another incident, which is over; and with the form of this one.
        is_refused(watch.ask(watch.signed("0ther1d")), 410, "This incident is over.")
        is_refused(watch.ask(watch.signed("0ther1d"), good), 410, "This incident is over.")
        # From elsewhere: another site, a sandbox, another port of this host, no browser at all.
        for origin in ("http://evil.example", "null", f"{watch.origin}1", "http://[", "", None):
            is_refused(watch.ask(link, good, Origin=origin), 403, "did not come from this page")
        for fetched in ("cross-site", "same-site", "none"):
            got = watch.ask(link, good, Sec_Fetch_Site=fetched)
            is_refused(got, 403, "did not come from this page")
        assert watch.ask(link, good, Host="evil.example").status == 421
        is_refused(watch.ask(link, good | {"form": "x"}), 403, "did not come from this page")
        without = {"seen": good["seen"], "do": "seen"}
        is_refused(watch.ask(link, without), 403, "did not come from this page")
        # From the page itself, by who has neither cookie nor PIN.
        own = f"/incident/{watch.incident}"
        shown = watch.ask(own)
        assert (shown.status, shown.offered) == (200, [])
        assert "open the link in a mail" in shown.text
        is_refused(watch.ask(own, {"do": "seen"}), 403, "did not come from this page")
        is_refused(watch.ask("/incident/unknown"), 404, "This incident is over.")
        is_refused(watch.ask("/incident/../x"), 404, "There is no such incident.")
        # Of what a form can't hold.
        for more in ({"Content_Type": "text/plain"}, {"Transfer_Encoding": "chunked"}):
            assert watch.ask(link, good, **more).status == 400
        assert watch.ask(link, good | {"x": "y" * 3000}).status == 400
        assert watch.ask(link, good, Content_Length=f"{'0' * 9}{'9' * 12}").status == 400
        is_refused(watch.ask(link, good | {"do": "explode"}), 409, "Nothing was done")
        # Who announces a form and does not send it is cut off.
        with socket.create_connection(("127.0.0.1", watch.port), WITHIN_S) as slow:
            head = f"POST {urlsplit(link).path} HTTP/1.1\r\nHost: 127.0.0.1:{watch.port}\r\n"
            kind = "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 99\r\n\r\n"
            slow.sendall(f"{head}{kind}do=seen".encode())
            assert slow.recv(1) == b""
        # Nor do those who wait with it, each from an address of its own, keep others out.
        with ExitStack() as held:
            for number in range(MOST_AT_ONCE):
                source = (f"127.0.0.{number + 2}", 0)
                made = socket.create_connection(("127.0.0.1", watch.port), WITHIN_S, source)
                held.enter_context(made).sendall(f"{head}{kind}".encode())
            assert [watch.ask("/").status for _ in range(3)] == [200] * 3
        assert watch.states == ["unacknowledged"]
        # What a page shows of it keeps the letters of its link to itself.
        got = watch.ask(link)
        assert got.headers["Referrer-Policy"] == "strict-origin"
        assert got.headers["Cache-Control"] == "no-store"
        assert "frame-ancestors 'none'" in got.headers["Content-Security-Policy"]
        assert "unsafe" not in got.headers["Content-Security-Policy"]
        assert "/act/" not in serving.log
        # A thousand guesses: soon they are not even looked at, and who has a link still can act.
        got_back = [watch.ask(f"/act/{number}.{'A' * 43}", good).status for number in range(1000)]
        assert set(got_back) == {403, 429}
        assert got_back[-1] == 429
        assert watch.states == ["unacknowledged"]
        assert watch.ask(link, watch.form(link, "seen")).words == "Done"
        # Who has a link can't keep the watch busy either.
        assert 429 in (watch.ask(link, good).status for _ in range(40))
        assert watch.states == ["unacknowledged", "acknowledged"]


def test_what_is_done_shows_at_once_and_is_done_once_even_over_a_restart(
    site: Site, cabinet: Wire, smtp: MailDrop, serving: Serving
) -> None:
    with acting(site, cabinet, smtp, serving) as watch:
        link = watch.link()
        shown = watch.ask(link)
        assert shown.offered[0] == "seen"
        assert shown.offered[-3:] == ["working-1", "working-4", "working-24"]
        seen = watch.form(link, "seen")
        hidden = watch.form(link, shown.offered[1])
        # Tapped twice it is done once (see below), and whichever answer is seen says so.
        with ThreadPoolExecutor(2) as thumbs:
            taps = [thumbs.submit(watch.ask, link, seen) for _ in range(2)]
        for got in (each.result() for each in taps):
            assert (got.status, got.words) == (200, "Done")
            assert f"Seen by {OWNER}" in got.text
        assert f"Seen by {OWNER}" in watch.ask("/").text
        # From a page that shows how it was, and again by a server that knows nothing of it.
        is_refused(watch.ask(link, hidden), 409, "It has changed since you opened this page")
        serving.processes[-1].kill()
        serving.processes[-1].wait()
        watch.serve()
        is_refused(watch.ask(link, seen), 409, "That was done already")
        assert watch.states == ["unacknowledged", "acknowledged"]
        # Put away and taken out again, by turns.
        (until,) = [each for each in watch.ask(link).offered if each.startswith("not-before")][:1]
        for do, state in ((until, "shelved"), ("working-4", "out-of-service")):
            got = watch.ask(link, watch.form(link, do))
            assert (got.status, got.words, got.offered) == (200, "Done", ["again"])
            assert f"(by {OWNER}, from 127.0.0.1, " in got.text
            assert watch.states[-1] == state
            got = watch.ask(link, watch.form(link, "again"))
            assert (got.status, got.words) == (200, "Done")
            assert watch.states[-1] == "acknowledged"
        # It is over, and so is its link.
        before = watch.form(link, "working-1")
        watch.cool()
        is_refused(watch.ask(link), 410, "This incident is over.")
        is_refused(watch.ask(link, before), 410, "This incident is over.")
        with site.store() as store:
            asked = [e.data for _, e in store.entries() if e.data.get("command") == "ack"]
        assert [(each["by"], each["address"]) for each in asked] == [(OWNER, "127.0.0.1")]
        # A watch that was down does none of it hours later.
        assert "done_by" in asked[0]


def test_what_is_over_and_nobody_saw_is_acknowledged_by_thumb_and_leaves_the_page(
    site: Site, cabinet: Wire, smtp: MailDrop, serving: Serving
) -> None:
    with acting(site, cabinet, smtp, serving) as watch:
        link = watch.link()
        before = watch.form(link, "working-1")
        cabinet.publish_until(NAS, "40", "nas", "over-derating", "returned")
        is_refused(watch.ask(link, before), 409, "Nothing was done")
        assert watch.ask(link).offered == ["seen"]
        page = watch.ask("/").text
        assert f'href="/incident/{watch.incident}">Seen it</a>' in page
        got = watch.ask(link, watch.form(link, "seen"))
        assert (got.status, got.words) == (200, "Done")
        assert watch.states == ["unacknowledged", "returned", "normal"]
        assert watch.incident not in watch.ask("/").text.partition("<main")[0]
        is_refused(watch.ask(link), 410, "This incident is over.")


def cookie_of(headers: dict[str, str], path: str) -> str:
    """Give what a browser sends back, once it is known to be kept from scripts and other sites."""
    cookie, *limits = headers["Set-Cookie"].split("; ")
    assert limits[0].startswith("Max-Age=86")
    assert limits[1:] == [f"Path={path}", "HttpOnly", "SameSite=Strict"]
    return cookie


def test_from_the_page_itself_acts_who_has_the_pin_or_came_by_a_link(
    site: Site, cabinet: Wire, smtp: MailDrop, serving: Serving, tmp_path: Path
) -> None:
    pin = tmp_path / "pin"
    pin.touch(mode=0o600)
    pin.write_text("4711-0815\n")
    with acting(site, cabinet, smtp, serving, f'pin_file = "{pin}"\n') as watch:
        own = f"/incident/{watch.incident}"
        assert f'href="/incident/{watch.incident}"' in watch.ask("/").text
        asked = {"form": watch.ask(own).hidden("form")}
        is_refused(watch.ask(own, asked | {"do": "seen"}), 403, "does not know who you are")
        is_refused(watch.ask(own, asked | {"pin": "4711-0816"}), 403, "That is not the PIN")
        right = asked | {"pin": "4711-0815"}
        is_refused(watch.ask(own, right, Origin="http://evil.example"), 403, "did not come from")
        got = watch.ask(own, right)
        assert (got.status, got.headers["Location"]) == (303, own)
        assert watch.states == ["unacknowledged"]
        with_pin = cookie_of(got.headers, "/incident/")
        # Who knows the PIN may give it as often as they like.
        assert {watch.ask(own, right).status for _ in range(8)} == {303}
        # A link leaves a cookie for its own incident, beside those of others (RFC 6265, 5.3: one
        # of another path takes no place), and which no other can be made of.
        by_link = cookie_of(watch.ask(watch.link()).headers, own)
        other = f"cabinetwatch-link={watch.signed('0ther1d').removeprefix('/act/')}"
        for cookie in ("", f"{by_link[:-2]}xx", other, "=;;", by_link.replace("link", "pin", 1)):
            watch.cookie = cookie
            assert watch.ask(own).offered == []
        # What else runs on this host has cookies of its own.
        for foreign in ('prefs={"a":1}', "a flag", "caf\xe9=1", "path=/x", 'x="un', "a,b[1]=2"):
            watch.cookie = f"{foreign}; {by_link}; {foreign}"
            assert watch.ask(own).offered[0] == "seen", foreign
        watch.cookie = by_link
        form = watch.form(own, "seen")
        # A form is good with the cookie alone that it was shown for.
        watch.cookie = with_pin
        is_refused(watch.ask(own, form), 403, "did not come from this page")
        got = watch.ask(own, watch.form(own, "seen"))
        assert (got.words, "Seen by somebody with the PIN" in got.text) == ("Done", True)
        watch.cookie = by_link
        assert watch.ask(own, watch.form(own, "working-1")).words == "Done"
        watch.cookie = ""
        for _ in range(5):
            got = watch.ask(own, asked | {"pin": "000000"})
        is_refused(got, 429, "Too many tries.")
        is_refused(watch.ask(own, right), 429, "Too many tries.")
        # Another PIN, and what the old one left is worth nothing.
        pin.write_text("123456\n")
        serving.processes[-1].kill()
        serving.processes[-1].wait()
        watch.serve()
        watch.cookie = with_pin
        assert watch.ask(own).offered == []


def test_without_its_key_or_its_watch_nothing_is_done_and_the_page_says_so(
    site: Site, cabinet: Wire, smtp: MailDrop, serving: Serving
) -> None:
    with acting(site, cabinet, smtp, serving) as watch:
        link, form = watch.link(), watch.form(watch.link(), "seen")
        key = link_key_path(site.config().store_path())
        assert key.stat().st_mode & 0o777 == 0o600
        aside = key.rename(key.with_name("aside"))
        for _ in range(2):
            is_refused(watch.ask(link, form), 503, "its log says why")
        assert serving.log.count("nobody can act through the page: the key of links") == 1
        # The next mail goes without.
        assert cabinetwatch(site.path, "ack", watch.incident).returncode == 0
        watch.worsen()
        assert "http://" not in part(smtp.messages[-1].message, "plain")
        aside.rename(key)
        assert watch.ask(link).status == 200
        changed = watch.ask(link, form)
        is_refused(changed, 409, "It has changed since you opened this page")
    got = watch.ask(link, form)
    is_refused(got, 503, "The watch accepts nothing now")
    assert "The watch is not running" in got.text
    assert got.offered == []


def test_what_is_done_makes_the_page_anew_and_what_is_refused_does_not(
    house: House, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # However long it takes here, only what was done can make the page old.
    monkeypatch.setattr(page_server, "_FRESH_S", 1e9)
    source = PageSource(house.url, None, tmp_path, SystemClock(), None)
    drawer = ChartDrawer(house.url, tmp_path)
    with (
        closing(source),
        PageServer("127.0.0.1", 0, source, drawer, tmp_path, acting=house.config) as server,
    ):
        assert server.actions is not None
        page = server.answer("/")
        for path in ("/act/forged", "/incident/%"):
            asked = Request(path, "127.0.0.1", "cabinet", None, None, "", {"do": "seen"})
            assert server.act(server.actions, asked).status >= 400
            assert server.answer("/") is page
        done = Response(HTTPStatus.OK, "text/html", b"Done")
        monkeypatch.setattr(server.actions, "answer", lambda _: done)
        server.act(server.actions, asked._replace(form=None))
        assert server.answer("/") is page
        server.act(server.actions, asked)
        assert server.answer("/") is not page


# What can be done, and when.

DUBLIN = ZoneInfo("Europe/Dublin")


def at(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=DUBLIN).timestamp() * 1000)


@pytest.fixture
def config(site: Site) -> Config:
    text = (
        site.write()
        .read_text()
        .replace('name = "under', 'timezone = "Europe/Dublin"\nname = "under')
    )
    site.path.write_text(text)
    return load_config(site.path)


def account(priority: Priority, state: str, *subjects: str) -> Account:
    return Account(
        "1nc1dent", "site", "NAS: hot", priority, state, 0, 0, "It is hot.", subjects=subjects
    )


@pytest.mark.parametrize(
    ("now", "high", "others"),
    [
        ("2026-11-30T03:12", ["Not before 07:00"], ["Not before 07:00", "Not before 19:00"]),
        ("2026-11-30T06:59", ["Not before 07:00"], ["Not before 07:00", "Not before 19:00"]),
        ("2026-11-30T07:00", ["Not before 19:00"], ["Not before 19:00", "Not before 07:00"]),
        ("2026-11-30T22:30", ["Not before 07:00"], ["Not before 07:00", "Not before 19:00"]),
        # The night in which summer time ends is 13 hours long: for the first of them an hour less.
        ("2026-10-24T19:00", ["Not before 06:00"], ["Not before 07:00", "Not before 19:00"]),
        ("2026-10-24T19:59", ["Not before 06:00"], ["Not before 07:00", "Not before 19:00"]),
        ("2026-10-24T20:00", ["Not before 07:00"], ["Not before 07:00", "Not before 19:00"]),
    ],
)
def test_nobody_is_offered_to_hide_a_high_alarm_for_more_than_twelve_hours(
    config: Config, now: str, high: list[str], others: list[str]
) -> None:
    for priority, expected in ((Priority.HIGH, high), (Priority.MEDIUM, others)):
        offered = choices_of(account(priority, "unacknowledged", "nas"), config, at(now))
        assert [each.label for each in offered if "before" in each.label] == expected
        until = [from_rfc3339(e.commands[0]["until"]) for e in offered if "before" in e.label]
        hidden_s = [(each - at(now)) / 1000 for each in until]
        assert priority is not Priority.HIGH or all(0 < each <= 43_200 for each in hidden_s)


def test_what_can_be_done_follows_from_how_it_is(config: Config) -> None:
    now = at("2026-11-30T03:12")

    def offered(state: str, *subjects: str) -> list[str]:
        made = choices_of(account(Priority.HIGH, state, *subjects), config, now)
        return [re.sub(r"-\d{9,}", "", each.value) for each in made]

    work = ["working-1", "working-4", "working-24"]
    assert offered("unacknowledged", "nas") == ["seen", "not-before", *work]
    assert offered("acknowledged", "nas") == ["not-before", *work]
    assert offered("shelved", "nas") == offered("out-of-service", "nas") == ["again"]
    assert offered("suppressed", "nas") == []
    # Else the page would count it among what nobody has seen until the weekly summary.
    assert offered("over", "nas") == ["seen"]
    # Nobody takes the watch itself out of service from bed: all that it says of itself would go.
    assert offered("unacknowledged", "site") == ["seen", "not-before"]
    hidden, *_, both = choices_of(
        account(Priority.HIGH, "acknowledged", "nas", "hall"), config, now
    )
    assert hidden.says == (
        "Hidden for 3\N{NO-BREAK SPACE}h 48\N{NO-BREAK SPACE}min, then shown again."
        " You are notified of what comes on top."
    )
    assert [each["subject"] for each in both.commands] == ["nas", "hall"]
    # The sensor behind it, too, which would come out once the device is out of service.
    lost = replace(account(Priority.HIGH, "unacknowledged", "nas"), alarms=("1", "2"))
    standing = [
        transition(subject=subject, occurrence=occurrence)
        for subject, occurrence in (("nas", "1"), ("hall", "2"), ("ups", "3"))
    ]
    *_, all_of_it = choices_of(lost, config, now, standing)
    assert [each["subject"] for each in all_of_it.commands] == ["nas", "hall"]
    assert both.says == "No alarm of NAS and hall until Tue 03:12, whatever happens."


def test_what_one_button_orders_is_ordered_at_once_however_many_devices(tmp_path: Path) -> None:
    clock = SystemClock()
    made = build(tmp_path, clock.utc_ms(), devices=1, days=1)
    path = made.config.store_path()
    orders = [{"command": "service-out", "subject": f"gear-{n}"} for n in range(3)]
    with WriterLock(path, watch=True), Store.open(made.url, read_only=True) as store:
        os.utime(path.with_name(f"{path.name}.lock"), (0, 0))
        answers = ask_watch(store, orders, clock, within_s=0.0)
        assert [each.done for each in answers] == [None] * 3
        assert {each.text.partition(";")[0] for each in answers} == {
            "The watch has not answered yet"
        }
    with Store.open(made.url) as store:
        assert [order for _, order in store.take_commands()] == orders


def test_a_rate_bounds_one_and_all_and_forgets() -> None:
    rate = Rate(of_one=2, of_all=4, span_s=3600.0)
    assert [rate.lets("192.0.2.1") for _ in range(3)] == [True, True, False]
    # One network of IPv6 is one household; an address of IPv4 is the same in both notations.
    assert [rate.lets(f"2001:db8::{n}") for n in range(3)] == [True, True, False]
    assert not rate.lets("::ffff:192.0.2.1")
    assert not rate.lets("192.0.2.9")
    rate.give_back("192.0.2.1")
    assert [rate.lets("192.0.2.1") for _ in range(2)] == [True, False]
    rate.give_back("192.0.2.9")
    assert not rate.lets("192.0.2.9")
    soon = Rate(of_one=1, of_all=1, span_s=0.0)
    assert all(soon.lets("fe80::1%eth0") for _ in range(3))
