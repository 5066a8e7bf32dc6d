"""What the page says of stores of several kinds, and that it follows its store."""

import re
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import replace
from functools import cache
from html import escape, unescape
from pathlib import Path

import pytest

from cabinetwatch.clock import SystemClock
from cabinetwatch.notify.mail import degree, predicate
from cabinetwatch.report.page import page_of
from cabinetwatch.report.page_server import PageSource
from cabinetwatch.report.words import short_time
from cabinetwatch.store.codecs import Bucket, FigureMinute
from cabinetwatch.store.place import NoStoreError, WriterLock, database_path, database_url
from cabinetwatch.store.records import Batch, Notice
from cabinetwatch.store.replay import StoreFollower
from cabinetwatch.store.store import Store
from cabinetwatch.text import plain
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import Account, AlarmState, Entry, EntryKind
from tests.cli.recorded_day import keep, run, write_config
from tests.support.hand_clock import HandClock
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, World, make_config

NOON_MS = 1_782_907_200_000
"""1 July 2026, 12:00 UTC."""
MINUTE_MS = 60_000
WEEK_MS = 7 * 24 * 60 * MINUTE_MS


@pytest.fixture
def world() -> World:
    """A house that has lived for an hour."""
    return deepcopy(_lived(is_warm=False))


@pytest.fixture
def warm() -> tuple[World, Account]:
    """One in which the NAS gets hotter and hotter after its alarms were raised; its account."""
    world = deepcopy(_lived(is_warm=True))
    return world, world.engine.accounts()[0]


@cache
def _lived(*, is_warm: bool) -> World:
    world = deepcopy(_lived(is_warm=False)) if is_warm else World(make_config(), every_s=30)
    if is_warm:
        world.resistance = 1.4
    world.lives(HOUR)
    return world


def page(
    folder: Path,
    world: World,
    figures: Sequence[FigureMinute] = (),
    notices: Sequence[Notice] = (),
    *,
    acts: bool = False,
) -> str:
    """Write a world into its store, with figures and notices; give its page without its style.

    The configuration is that of the folder, where there is one.
    """
    folder.mkdir(exist_ok=True)
    path = folder / "config.toml"
    if not path.exists():
        write_config(folder, HOUSE + COMMISSIONED)
    keep(path, world)
    with Store.open(load_config(path).store.url) as store:
        store.commit(Batch(world.t, 0, figures=list(figures), notices=list(notices)))
    clock = HandClock(world.t)
    clock.stand_still()
    source = PageSource(load_config(path).store.url, None, folder, clock, None, acts=acts)
    with WriterLock(load_config(path).store_path(), watch=True):
        html = source.html().decode()
    source.close()
    return re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)


@pytest.mark.parametrize("out", [True, False])
def test_a_device_out_of_service_does_not_pass_for_well(
    world: World, tmp_path: Path, out: bool
) -> None:
    if out:
        world.tells(EntryKind.COMMAND, command="service-out", subject="nas", reason="new fan")
        world.lives(60_000)
    html = page(tmp_path, world)
    row = html.partition('data-device="nas"')[2].partition("</tr>")[0]
    assert ("out of service" in row) == out
    assert ("NAS is out of service" in html) == out
    assert ("All is well" in html) != out


def test_sensors_that_were_never_heard_do_not_pass_for_well(tmp_path: Path) -> None:
    world = World(make_config(), every_s=30)
    world.dead.add("hall")
    world.lives(MINUTE_MS)
    html = page(tmp_path, world)
    assert "<h1>No alarm is on</h1>" in html
    assert "<p>hall has not been heard yet.</p>" in html
    assert "All is well" not in html


def test_a_trial_that_withholds_alarms_is_on_the_page(world: World, tmp_path: Path) -> None:
    begin = {"command": "trial-begin", "device": "nas", "change": "fan at 7 V"}
    world.tells(EntryKind.COMMAND, trial="slow-fan", **begin)
    world.tells(EntryKind.COMMAND, command="trial-phase", trial="slow-fan", phase="before")
    assert "of NAS (fan at 7 V)</dd>" in page(tmp_path, world)
    world.tells(EntryKind.COMMAND, command="trial-phase", trial="slow-fan", phase="change")
    html = page(tmp_path, world)
    assert "<dt>Trial slow-fan</dt>" in html
    said = html.partition("of NAS (fan at 7 V); not reported meanwhile: ")[2].partition("</dd>")[0]
    assert "fan slow or stopped" in said


def cells(html: str) -> list[str]:
    """Give the figures in the table of devices."""
    return re.findall(r"<td data-figure[^>]*>([^ <]*)", html)


def test_without_its_broker_the_devices_keep_the_figures_that_were_last_known(
    world: World, tmp_path: Path
) -> None:
    heard_ms = world.t
    known = world.engine.device_figures()["nas"]
    keys = ("temperature_c", "rise_k", "settled_rise_k", "margin_k")
    expected = [f"{known[key]:.1f}" for key in keys]
    minute_ms = heard_ms // MINUTE_MS * MINUTE_MS - MINUTE_MS
    minutes = [
        FigureMinute(at_ms, {"nas": {key: Bucket(at_ms, 6, v, v, v) for key, v in values}})
        for at_ms, values in (
            (minute_ms - 20 * MINUTE_MS, [(key, 1.0) for key in keys]),
            (minute_ms, [(key, known[key]) for key in keys]),
        )
    ]
    world.tells(EntryKind.DISCONNECT, reason="nobody listens there")
    world.t += 20 * MINUTE_MS
    world.told += world.engine.advance(world.t)
    assert world.engine.device_figures()["nas"]["temperature_c"] is None
    html = page(tmp_path / "lost", world, minutes)
    assert cells(html) == expected
    # In grey, with their instant above: the style goes by the class of the whole page.
    assert '<body class="is-old"' in html
    assert f"Devices Last known, {short_time(heard_ms, 'UTC', '%H:%M')}" in shown_text(html)
    row = next(
        line
        for line in run(tmp_path / "lost" / "config.toml", "status")[1].splitlines()
        if line.startswith("NAS ")
    )
    assert plain(row).split()[1:3] == [expected[0], "°C"]
    # What is older than a quarter of an hour before the last reading is nobody's last figure.
    assert cells(page(tmp_path / "long", world, minutes[:1])) == ["—"] * 4


def test_where_a_device_is_settling_is_shown_once_anything_is_known_of_it(
    world: World, tmp_path: Path
) -> None:
    begins = World(make_config(HOUSE))
    begins.power_w = 4.0
    begins.lives(2 * MINUTE_MS)
    assert begins.engine.device_figures()["nas"]["settled_rise_k"] is not None
    write_config(tmp_path, HOUSE)
    html = page(tmp_path, begins)
    temperature, rise, settling, _ = cells(html)
    assert "—" not in {temperature, rise}
    assert settling == "—"
    assert "arrow" not in html.partition("<tbody")[2].partition("</tbody>")[0]
    html = page(tmp_path / "known", world)
    assert cells(html)[2] == f"{world.engine.device_figures()['nas']['settled_rise_k']:.1f}"
    assert "steady" in html


def shown_text(html: str) -> str:
    """Give what can be read in a page, each run of blanks as one."""
    body = html.partition("<body")[2].partition("<script>")[0]
    return flowing(unescape(re.sub(r"<[^>]*>", "", body.partition(">")[2])))


def flowing(text: str) -> str:
    return " ".join(text.split())


def test_the_page_says_how_it_is_now_and_what_was_said_only_with_its_time(
    warm: tuple[World, Account], tmp_path: Path
) -> None:
    world, account = warm
    text = shown_text(page(tmp_path, world))
    raised = [each for each in world.told if each.is_raise and each.id in account.alarms]
    assert raised
    # In the mark, which is seen only once the page is old, stands of when it is.
    assert re.search(
        rf"{re.escape(account.headline)} Last known, \d\d:\d\d: {re.escape(flowing(account.now))}",
        text,
    )
    assert flowing(f"What to do: {account.response}") in text
    for each in raised:
        # What the sentence of the raise says was true then.
        assert each.text != account.now
        before, *others = text.split(flowing(each.text))[:-1]
        assert not others
        assert re.search(r"When raised, \d\d:\d\d: $", before)


def test_without_its_broker_the_page_says_more_than_before_and_calls_old_what_is_old(
    world: World, warm: tuple[World, Account], tmp_path: Path
) -> None:
    before = shown_text(page(tmp_path, world))
    assert "Last known" in before  # It is there, and is seen only where it is true.
    world, account = warm
    heard_ms = world.t
    world.tells(EntryKind.DISCONNECT, reason="nobody listens there")
    world.t += 5 * MINUTE_MS
    world.told += world.engine.advance(world.t)
    lost = next(each for each in world.engine.accounts() if each.subjects == ("site",))
    html = page(tmp_path / "lost", world)
    text = shown_text(html)

    assert '<body class="is-old"' in html
    assert text.index("No connection to the broker") < text.index(lost.headline)
    assert text.index(lost.headline) < text.index(account.headline)
    assert flowing(lost.response) in text
    # What is known of the NAS is of then, what is known of the connection is of now.
    then = short_time(heard_ms, "UTC", "%H:%M")
    present = next(each for each in world.engine.accounts() if each.id == account.id)
    assert flowing(f"Last known, {then}: {present.now}") in text
    assert re.search(rf'class="now known">\s*<span[^>]*>[^<]*</span>\s*{escape(lost.now)}', html)
    assert f"Devices Last known, {then}" in text
    title = re.search(r"<title>(.*)</title>", html)
    assert title is not None
    assert title[1].startswith("No connection to the broker; ")
    assert lost.headline in unescape(title[1])
    # Nobody counts on time that was left then.
    assert present.time_left_s is None or "Time left" not in text


def test_a_device_is_called_what_its_incident_is(
    warm: tuple[World, Account], tmp_path: Path
) -> None:
    world, account = warm
    row = page(tmp_path, world).partition('data-device="nas"')[2].partition("</tr>")[0]
    words = account.headline.removeprefix("NAS: ")
    assert f"{degree(account)}: {words}" in unescape(row)
    assert f'ink-{account.priority.value}"' in row


def test_what_is_over_or_hidden_is_folded_away_and_counted(
    warm: tuple[World, Account], tmp_path: Path
) -> None:
    world, account = warm
    for alarm in account.alarms:
        world.tells(EntryKind.COMMAND, command="shelve", id=alarm, for_s=7200.0, reason="new fan")
    html = page(tmp_path, world)
    hidden = html.partition('data-key="hidden">')[2].partition("</details>")[0]
    count = len(re.findall("<h3>", hidden))
    assert count >= 1
    assert f"{count} alarm" in hidden.partition("</summary>")[0]
    assert "new fan" in hidden
    assert "No alarm is shown" in html
    assert "All is well" not in html
    assert "What to do" not in html


@pytest.mark.parametrize("acts", [True, False])
def test_a_device_taken_out_of_service_says_so_once_and_can_be_taken_back_from_the_page(
    warm: tuple[World, Account], tmp_path: Path, acts: bool
) -> None:
    world, account = warm
    world.tells(EntryKind.COMMAND, command="service-out", subject="nas", reason="new fan")
    html = page(tmp_path, world, acts=acts)
    hidden = html.partition('data-key="hidden">')[2].partition("</details>")[0]
    assert hidden.count("new fan") == 1
    assert (f'href="/incident/{account.id}"' in hidden) == acts
    assert 'href="/incident/' not in html.replace(hidden, "")


def test_what_one_deed_tells_programs_takes_one_line_among_the_notices(
    warm: tuple[World, Account], tmp_path: Path
) -> None:
    world, account = warm
    raised = next(each for each in world.told if each.is_raise and each.id in account.alarms)
    world.lives(MINUTE_MS)
    world.tells(EntryKind.COMMAND, command="service-out", subject="nas")
    out = [each for each in world.told if each.state is AlarmState.OUT_OF_SERVICE]
    assert len(out) > 1
    mail = Notice("mail", "email", "raise", raised.t, raised.utc_ms, (raised,))
    told = [Notice(e.id + e.condition, "mqtt", "change", e.t, e.utc_ms, (e,)) for e in out]
    html = page(tmp_path, world, notices=[mail, *told])
    shown = unescape(html.partition('<ol class="notices">')[2].partition("</ol>")[0])
    assert shown.count("not tried yet") == 2
    assert shown.count("NAS: out of service") == 1
    assert f"NAS: {predicate(raised)}" in shown


def test_an_alarm_that_the_engine_knows_no_incident_of_is_shown_all_the_same(
    warm: tuple[World, Account], tmp_path: Path
) -> None:
    world, account = warm
    raised = next(each for each in world.told if each.is_raise and each.id in account.alarms)
    orphan = replace(raised, id="0rphan00", incident="", subject="ups")
    world.told.append(orphan)
    text = shown_text(page(tmp_path, world))
    assert flowing(orphan.text) in text
    assert "0rphan00" in text


def test_a_broker_that_is_lost_and_tried_for_again_counts_once(
    world: World, tmp_path: Path
) -> None:
    world.tells(EntryKind.DISCONNECT, reason="the connection broke")
    world.tells(EntryKind.DISCONNECT, reason="nobody listens there")
    world.tells(EntryKind.CONNECT, session_present=True)
    world.lives(60_000)
    html = page(tmp_path, world)
    assert "<dt>Broker lost in 7 days</dt><dd>1</dd>" in html
    assert "<dt>Sensors</dt><dd>3 live</dd>" in html


def watch(store: Store, at_utc_ms: int) -> dict[str, str]:
    clock = HandClock(at_utc_ms)
    clock.stand_still()
    store.close()
    with Store.open(database_url(store.path), watch=True) as living:
        return dict(page_of(StoreFollower(living).engine(), living, clock, {}, None)["watch"])


def test_a_machine_that_woke_in_1970_and_a_broker_that_was_late_count_as_what_they_were(
    store: Store,
) -> None:
    woke_t = 30_000
    offset_ms = NOON_MS - woke_t - MINUTE_MS
    start = {"offset_ms": 0, "boot_ms": 0, "ran_until_ms": None}
    told = [
        Entry(woke_t, EntryKind.CONFIG, {"config": make_config().as_json()}),
        Entry(woke_t, EntryKind.START, start),
        # Broker and watch came up together after a power cut: nothing was lost.
        Entry(woke_t + 1, EntryKind.DISCONNECT, {"reason": "nobody listens there"}),
        Entry(woke_t + MINUTE_MS, EntryKind.OFFSET, {"offset_ms": offset_ms}),
        Entry(woke_t + 2 * MINUTE_MS, EntryKind.CONNECT, {"session_present": False}),
        Entry(woke_t + 3 * MINUTE_MS, EntryKind.DISCONNECT, {"reason": "it is shutting down"}),
        Entry(woke_t + 4 * MINUTE_MS, EntryKind.CONNECT, {"session_present": True}),
    ]
    store.commit(Batch(told[-1].t, offset_ms, list(told)))

    soon = watch(store, NOON_MS + 3 * MINUTE_MS + 30_000)
    assert flowing(soon["Running"]) == "for 4 min 30 s"
    late = watch(store, NOON_MS + 5 * MINUTE_MS + WEEK_MS)
    for label in ("Clock steps in 7 days", "Broker lost in 7 days"):
        assert (soon[label], late[label]) == ("1", "0")


def recorded(folder: Path, site: str) -> str:
    """Make the store of a site that has lived for a while; give its URL."""
    folder.mkdir()
    path = write_config(folder, HOUSE.replace("under-stairs cabinet", site) + COMMISSIONED)
    world = World(load_config(path), every_s=60)
    world.lives(HOUR // 6)
    keep(path, world)
    return load_config(path).store.url


def test_a_store_that_is_made_anew_while_the_page_looks_is_shown_once_it_is_there(
    tmp_path: Path,
) -> None:
    url = recorded(tmp_path / "before", "under the stairs")
    after = database_path(recorded(tmp_path / "after", "in the attic"))
    path = database_path(url)
    source = PageSource(url, None, tmp_path, SystemClock(), None)
    html = source.html().decode()
    assert "under the stairs" in html
    # Nobody holds this store's lock.
    assert "<h1>The watch is not running</h1>" in html
    assert "Nothing is being watched" in html

    # A damaged store is set aside, and the new one is an empty file until its tables are made.
    path.rename(path.with_name("damaged"))
    path.touch(0o600)
    for _ in range(2):
        with pytest.raises(NoStoreError):
            source.html()
    path.write_bytes(after.read_bytes())
    html = source.html().decode()
    assert "in the attic" in html
    assert "under the stairs" not in html
    source.close()
