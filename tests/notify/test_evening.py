"""An evening in the cabinet, and all along it what each surface says is true."""

import json
import re
from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from cabinetwatch.cli import look
from cabinetwatch.notify.mail import build_message, measured
from cabinetwatch.notify.plan import DueRepeat, plan, plan_repeat
from cabinetwatch.report.page_server import PageSource
from cabinetwatch.report.words import last_known, present_of
from cabinetwatch.store.place import database_url
from cabinetwatch.store.records import Batch, Notice
from cabinetwatch.store.replay import StoreFollower, snapshot_of
from cabinetwatch.store.store import Store
from cabinetwatch.watch.conditions.base import SIGMAS_95
from cabinetwatch.watch.events import Account, Entry, EntryKind, Step, Transition
from tests.notify.samples import EMAIL
from tests.support.empty_store import put_empty_store
from tests.support.hand_clock import HandClock
from tests.watch.scene import CABINET, MINUTE, SECOND, make_config
from tests.watch.test_incidents import CALM, Watched

CONFIG = make_config(
    CABINET
    + EMAIL.format(
        port=25,
        sender="watch@under-stairs.example",
        to='["owner@under-stairs.example"]',
        priorities='["high", "medium", "low"]',
    )
)
NUMBER = re.compile("([-\N{MINUS SIGN}]?[0-9]+[.][0-9])[ \N{NO-BREAK SPACE}](?:°C|K)\\b")
THEN = re.compile(r"[Ww]hen [a-z ]+, [^,.;]*[0-9]{2}:[0-9]{2}(?: [(]alarm [^)]*[)])?: $")
NOTHING = re.compile(r"\b(unknown|None|nan|null)\b")


def numbers(value: Any) -> Iterator[float]:
    """Give every number in figures however they lie within each other."""
    if isinstance(value, Mapping):
        value = list(value.values())
    if isinstance(value, list | tuple):
        for each in value:
            yield from numbers(each)
    elif isinstance(value, int | float):
        yield float(value)


class Evening(Watched):
    """Holds all that is said against the engine: at every message, and every so many minutes."""

    def __init__(self, stride: int = 1) -> None:
        self.stride = stride
        self.fresh: deque[tuple[int, set[float]]] = deque()
        self.limits = {*numbers(CONFIG.as_json())}
        self.minutes = 0
        self.mails: list[tuple[Step, str]] = []
        super().__init__(CONFIG)

    def _held(self, told: list[Transition]) -> list[Transition]:
        engine = self.engine
        if told or not self.fresh or self.fresh[-1][0] != self.t:
            now = [*numbers(engine.device_figures()), *numbers(engine.sensor_figures())]
            self.fresh.append((self.t, {sign * each for each in now for sign in (1, -1)}))
        while self.fresh[0][0] < self.t - MINUTE:
            self.fresh.popleft()
        for notice in plan(told, CONFIG):
            if notice.channel == "email":
                self.holds(notice)
                (message,) = (e.message for e in told if e.message and e.t == notice.t)
                self.mails.append((message.step, str(self.mail(notice)["Subject"])))
        if self.t // MINUTE != self.minutes:
            self.minutes = self.t // MINUTE
            for account in engine.accounts() if self.minutes % self.stride == 0 else ():
                self.says(account)
                raises = tuple(e for e in self.told if e.is_raise and e.incident == account.id)
                due = DueRepeat(self.t, account.id, raises)
                (notice,) = plan_repeat(due, account, CONFIG, self.t, 0)
                self.holds(notice)
        return super()._held(told)

    def mail(self, notice: Notice) -> Any:
        """Make the mail, as it would go out now."""
        present = {each.id: each for each in self.engine.accounts()}
        assert CONFIG.notify.email is not None
        return build_message(notice, CONFIG, CONFIG.notify.email, present.get)

    def holds(self, notice: Notice) -> None:
        """Hold a mail that is made now against what the engine knows and publishes now."""
        message = self.mail(notice)
        account = next(e for e in self.engine.accounts() if e.id == notice.accounts[0].id)
        shown = json.loads(json.dumps(account.public()))
        told_by = "Over" if account.is_over else account.priority.capitalize()
        assert re.match(rf"\[{told_by}[],]", message["Subject"])
        assert shown["headline"] in message["Subject"]
        for kind in ("plain", "html"):
            text = message.get_body((kind,)).get_content().replace("&#39;", "'")
            text = " ".join(re.sub("<[^>]*>", " ", text).split(" "))
            flat = re.sub(r"\s+", " ", text)
            assert shown["headline"] in flat
            assert re.sub(r"\s+", " ", shown["now"]) in flat
            for figure in account.figures:
                assert re.sub(r"\s+", " ", measured(figure, CONFIG.site.temperature_unit)) in flat
            assert not NOTHING.search(flat), flat

    def says(self, account: Account) -> None:
        """Hold the numbers of an account that is on against those of the last minute."""
        if account.is_over:
            return
        said = f"{account.headline} {account.now}"
        true = set().union(*(each for _, each in self.fresh)) | self.limits
        for number in NUMBER.findall(said):
            value = float(number.replace("\N{MINUS SIGN}", "-"))
            # Figures are rounded to more places first, which may make a last digit another.
            assert min(abs(value - each) for each in true) < 0.06, said[
                max(0, said.find(number) - 300) : said.find(number) + 200
            ]
        device = self.engine.model.devices.get(account.subjects[0])
        margins = [each.value for each in account.figures if each.name == "Margin now"]
        if device is not None and margins:
            assert margins == [round(device.figures()["margin_k"], 2)]
        assert not NOTHING.search(said)


class Shown(Evening):
    """Holds page and `status` as well, as they show what a store has of the watch."""

    def __init__(
        self, folder: Path, capsys: pytest.CaptureFixture[str], open_: ExitStack, every: int
    ) -> None:
        self.capsys, self.every = capsys, every
        path = folder / "watch.db"
        put_empty_store(path)
        url = database_url(path)
        self.store = open_.enter_context(Store.open(url, watch=True))
        self.follower = StoreFollower(self.store, CONFIG)
        self.clock = HandClock(0)
        self.clock.stand_still()
        self.page = PageSource(url, None, folder, self.clock, None)
        open_.callback(self.page.close)
        self.committed = [0, 0]
        self.heard_ms = 0
        self.looked = 0
        super().__init__(min(every, 3))

    def _held(self, told: list[Transition]) -> list[Transition]:
        minute = self.minutes
        told = super()._held(told)
        due = self.minutes != minute and (
            self.minutes % self.every == 0 or len(self.told) > self.committed[1]
        )
        if due and self.inputs:
            self.looks([*self.told, *(each for each in told if each not in self.told)])
        return told

    def looks(self, transitions: list[Transition]) -> None:
        """Hold what page and `status` show now against the engine, and each against the other."""
        self.looked += 1
        inputs, engine = self.inputs[self.committed[0] :], self.engine
        if not self.committed[0]:
            inputs = [
                Entry(self.inputs[0].t, EntryKind.CONFIG, {"config": CONFIG.as_json()}),
                *inputs,
            ]
        batch = Batch(engine.now, 0, [*inputs], transitions=transitions[self.committed[1] :])
        self.store.commit(batch)
        self.committed = [len(self.inputs), len(transitions)]
        self.clock.let_pass((engine.now - self.clock.utc_ms()) / 1000)

        snapshot = snapshot_of(self.follower.engine(), self.store, self.clock)
        assert snapshot.devices == engine.device_figures()
        now_ms = self.clock.utc_ms()
        present = present_of(snapshot, CONFIG, now_ms)
        known = [last_known(key, of, present, self.store) for key, of in snapshot.devices.items()]
        look._show(present, known, CONFIG, now_ms)
        status = self.capsys.readouterr().out
        assert max(map(len, status.splitlines())) <= 80
        html = self.page.html().decode()
        body = re.sub(r"<(style|script)[^>]*>.*?</\1>", "", html.partition("<body")[2], flags=re.S)
        # What a browser shows only of a page that is no longer written.
        is_old = body.startswith(' class="is-old"')
        page = flat(unescape(re.sub("<[^>]*>", " ", body.partition(">")[2])))
        status = flat(status)

        connected = engine.model.site.connected
        assert is_old == (not connected)
        assert ("No connection to the broker" in page) == (not connected)
        assert ("NO CONNECTION TO THE BROKER" in status) == (not connected)
        accounts = engine.accounts()
        on = [each for each in accounts if not each.is_over and not each.is_hidden]
        for said in (page, status):
            assert ("All is well" in said) == (connected and not accounts)
            assert not any(each.is_hidden for each in accounts) or "hidden (suppressed)" in said
            for account in [each for each in accounts if each.is_over or each in on]:
                assert flat(account.headline) in said
                if not account.is_over:
                    assert flat(account.now) in said
                    assert flat(account.response) in said or "as above" in said
            if not connected:
                assert "Last known" in said
                assert "Time left" not in said
        if on and connected:
            assert flat(f"{on[0].headline}") in page[:400]
            assert flat(f"] {on[0].headline}") in status[:400]
        self.holds_figures(status, connected=connected)
        self.holds_figures(page, connected=connected)

    def holds_figures(self, said: str, *, connected: bool) -> None:
        """Hold every temperature and rise that is shown: of now, or said to be of then."""
        now = [*numbers(self.engine.device_figures()), *numbers(self.engine.sensor_figures())]
        now += [*numbers([each.value for e in self.engine.accounts() for each in e.figures])]
        # The doubt of where a rise settles is kept as a standard deviation, and shown at 95 %.
        figures = self.engine.device_figures().values()
        now += [
            SIGMAS_95 * each["settled_rise_sd_k"] for each in figures if each["settled_rise_sd_k"]
        ]
        true = {sign * each for each in now for sign in (1, -1)} | self.limits
        for text in {flat(each.text) for each in self.store.standing()}:
            # What an alarm said then is shown only with its time.
            before, *others = said.split(text)
            assert all(THEN.search(each) for each in (before, *others)[: len(others)]), text
            said = before + "".join(others)
        for number in NUMBER.findall(said):
            value = float(number.replace("\N{MINUS SIGN}", "-"))
            assert min(abs(value - each) for each in true) < 0.06, said[
                max(0, said.find(number) - 300) : said.find(number) + 200
            ]


def flat(text: str) -> str:
    """Give a text with each run of blanks as one."""
    return " ".join(text.split())


@pytest.mark.parametrize("every", [10, pytest.param(1, marks=pytest.mark.long)])
def test_all_that_mails_page_and_status_say_of_an_evening_is_true(
    every: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with ExitStack() as open_:
        evening = Shown(tmp_path, capsys, open_, every)
        _an_evening(evening)
        assert evening.looked > 120 // every


def _an_evening(evening: Evening) -> None:
    calm = CALM
    evening.lives(10 * MINUTE, **calm)

    # The fan of the NAS stalls; it crosses its threshold, and is mended.
    air = 36.0
    while air < 72.0:
        air += 0.5
        evening.lives(20 * SECOND, **calm | {"nas_fan": 300.0, "nas_air": air})
    evening.lives(5 * MINUTE, **calm | {"nas_fan": 300.0, "nas_air": air})
    while air > 36.0:
        air -= 0.5
        evening.lives(20 * SECOND, **calm | {"nas_air": air})
    evening.lives(30 * MINUTE, **calm)

    # The sensor in the hall dies for a while.
    without = {name: value for name, value in calm.items() if name != "hall"}
    evening.lives(10 * MINUTE, **without)
    evening.lives(30 * MINUTE, **calm)

    # The door of the cabinet is opened for two minutes: nothing to tell.
    before = len(evening.messages)
    evening.lives(2 * MINUTE, **calm | {"nas_air": 31.0, "switch_air": 30.0})
    evening.lives(10 * MINUTE, **calm)
    assert len(evening.messages) == before

    # The broker is lost for twenty minutes.
    evening.tell(EntryKind.DISCONNECT, reason="connection reset", end="closed")
    for _ in range(20):
        evening.passes(MINUTE)
    evening.tell(EntryKind.CONNECT, session_present=True)
    evening.lives(30 * MINUTE, **calm)

    assert [(step.value, subject.partition(" - ")[0]) for step, subject in evening.mails] == [
        ("opened", "[High] NAS: fan slow or stopped"),
        ("worse", "[High, worse] NAS: above its derating threshold"),
        ("over", "[Over] NAS: fan running again"),
        ("opened", "[Medium] hall silent: the surrounding air of NAS and PoE switch is not known"),
        ("over", "[Over] hall: the surrounding air is known again"),
        ("opened", "[High] The watch is cut off from its broker"),
        ("over", "[Over] The watch is connected to its broker again"),
    ]


def test_without_the_broker_nothing_of_before_is_said_as_if_it_were_now() -> None:
    evening = Evening()
    evening.lives(10 * MINUTE, **CALM)
    air = 36.0
    while air < 72.0:
        air += 0.5
        evening.lives(20 * SECOND, **CALM | {"nas_fan": 300.0, "nas_air": air})
    evening.lives(5 * MINUTE, **CALM | {"nas_fan": 300.0, "nas_air": air})
    evening.tell(EntryKind.DISCONNECT, reason="connection reset", end="closed")
    for _ in range(20):
        evening.passes(MINUTE)
    cut_off, nas = evening.engine.accounts()
    assert cut_off.headline == "The watch is cut off from its broker"
    assert (nas.figures, nas.time_left_s) == ((), None)
    assert "was last seen above its derating threshold" in nas.now
    assert [step.value for step, _ in evening.mails] == ["opened", "worse", "opened"]
