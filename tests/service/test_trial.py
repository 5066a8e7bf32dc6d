"""A trial through the real thing: told to a running watch, judged from its store, put to work."""

import json
import math
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from cabinetwatch.clock import SystemClock
from cabinetwatch.service.daemon import Daemon
from cabinetwatch.watch.events import EntryKind
from tests.service.nodes import Nodes
from tests.service.site import HALL, NAS, Site
from tests.service.watching import cabinetwatch, running, wait_until, watching
from tests.service.wire import Wire
from tests.support.hand_clock import HandClock

MOST_MINUTES = 300
HALL_C, TAU_S = 21.0, 300.0

COMMISSIONED = """
[sensors.hall]
topic = "house/hall/temperature"
quantity = "temperature"
accuracy = 0.2

[sensors.nas-air]
topic = "cabinet/nas/temperature"
quantity = "temperature"
accuracy = 0.2

[devices.nas]    # the NAS under the stairs
name = "NAS"
temperature = "nas-air"
ambient = "hall"
derating = [[60.0, 1.0], [70.0, 0.5]]
normal_rise_k = 10.0    # as it came
time_constant_s = 300.0
max_rise_k = 13.0

# --- alarms ---

[alarms.silent]
enabled = false

[alarms.stuck]
enabled = false
"""


class Nas:
    """A NAS of one mass that lives on the watch's clock, round by round."""

    def __init__(self, wire: Wire, daemon: Daemon, clock: HandClock) -> None:
        self.goal_k = 10.0
        self.rise_k = 10.0
        self._clock = clock
        self._last_ms = clock.utc_ms()
        self._count = 0
        air = {HALL: HALL_C, NAS: HALL_C + self.rise_k}
        self._nodes = Nodes(wire, daemon, clock, air, every_s=10.0)

    def pass_minutes(self, minutes: float) -> None:
        """Live for so long."""
        for _ in range(round(minutes * 60 / self._nodes.every_s)):
            self._live()
            self._nodes.round()

    def _live(self) -> None:
        now_ms = self._clock.utc_ms()
        kept = math.exp(-(now_ms - self._last_ms) / 1000 / TAU_S)
        self.rise_k = self.goal_k + (self.rise_k - self.goal_k) * kept
        self._last_ms = now_ms
        self._count += 1
        # Sensors stir a little; a regular pattern serves as well as chance.
        stir_k = 0.03 * ((self._count * 7) % 5 - 2)
        self._nodes.values[HALL] = HALL_C + 0.4 * stir_k
        self._nodes.values[NAS] = HALL_C + self.rise_k + stir_k


@contextmanager
def living(site: Site, wire: Wire, clock: HandClock) -> Iterator[Nas]:
    """A watch with a NAS that can live."""
    with watching(site.config(), clock) as daemon:
        wire.wait_online()
        yield Nas(wire, daemon, clock)


def told(site: Site, *arguments: str, result: int = 0) -> str:
    """Run a command of `trial`; give what it prints."""
    done = cabinetwatch(site.path, "trial", *arguments)
    assert done.returncode == result, (arguments, done)
    return done.stdout + done.stderr


def phase(site: Site, name: str) -> None:
    """Enter a phase, and wait until the watch has taken it."""
    with site.store() as store:
        before = len(store.entries(EntryKind.COMMAND))
    told(site, "phase", "slow-fan", name)
    wait_until(lambda: commands(site) > before, f"the {name} phase")


def commands(site: Site) -> int:
    with site.store() as store:
        return len(store.entries(EntryKind.COMMAND))


def trial_of(site: Site) -> dict[str, Any]:
    (only,) = json.loads(told(site, "list", "--json"))
    trial: dict[str, Any] = only
    return trial


def settle(site: Site, nas: Nas) -> None:
    """Let the NAS live until the phase is said to have settled."""
    for _ in range(MOST_MINUTES // 6):
        nas.pass_minutes(6)
        if trial_of(site)["settled"]:
            return
    raise TimeoutError(f"the phase has not settled in {MOST_MINUTES} min")


def run_a_trial(site: Site, wire: Wire, *, after_k: float) -> list[dict[str, Any]]:
    """Tell a whole trial to a running watch; give how it stood now and then."""
    site.tables = COMMISSIONED
    stood = []
    start_ms = SystemClock().utc_ms() - 36 * 3_600_000
    with living(site, wire, HandClock(start_ms)) as nas:
        told(site, "begin", "slow-fan", "--device", "nas", "--change", "the fan at 7 V")
        wait_until(lambda: commands(site) > 0, "the trial")
        phase(site, "before")
        settle(site, nas)
        phase(site, "change")
        stood.append(trial_of(site))
        nas.pass_minutes(2)
        nas.goal_k = after_k
        phase(site, "after")
        nas.pass_minutes(3)
        stood.append(trial_of(site))
        settle(site, nas)
        stood.append(trial_of(site))
        # Noise can turn the first word of it about; a time constant later it is far from that edge.
        nas.pass_minutes(TAU_S / 60)
        told(site, "end", "slow-fan")
        wait_until(lambda: trial_of(site)["ended"] is not None, "the end")
    return stood


def test_a_trial_is_told_judged_and_put_to_work(site: Site, cabinet: Wire) -> None:
    changing, warming, settled = run_a_trial(site, cabinet, after_k=15.0)

    assert changing["phase"] == "change"
    assert "not counted" in changing["sentences"][0]
    assert not warming["settled"]
    assert any("cooling-loss" in each and "suppressed" in each for each in warming["sentences"])
    assert "has settled" in settled["sentences"][0]

    with site.store() as store:
        moved = [(each.condition, str(each.state)) for each in store.transitions()]
    during = [each for each in moved if each[0] in {"cooling-loss", "over-rise"}]
    assert ("over-rise", "suppressed") in during
    # Only with the end of the trial are they told, for the rise is still new to the watch.
    raised = during.index(("over-rise", "suppressed"))
    assert all(state != "unacknowledged" for _, state in during[: raised + 1])

    report = json.loads(told(site, "report", "slow-fan", "--json"))
    assert report["device"] == "nas"
    assert report["verdict"] == "accept"
    low_k, high_k = report["change_ci95_k"]
    assert low_k < 5.0 < high_k
    assert report["after"]["settled"]
    assert report["time_constant_s"] is not None

    before = site.path.read_text()
    heard = len(cabinet.messages)
    with running(site.path) as watch:
        cabinet.wait_online(after=heard)
        shown = told(site, "end", "slow-fan", "--apply")
        assert watch.running
        assert "The watch has read it." in shown
        assert "reading the configuration again" in watch.log
        check_applied(site, before, shown, report)
        assert cabinetwatch(site.path, "check").returncode == 0
        assert watch.stop() == 0


def check_applied(site: Site, before: str, shown: str, report: dict[str, Any]) -> None:
    """The file has the setpoints and its comments; the old one is kept."""
    after = site.path.read_text()
    wanted = tomllib.loads(report["setpoints"])["devices"]["nas"]
    device = tomllib.loads(after)["devices"]["nas"]
    assert device == tomllib.loads(before)["devices"]["nas"] | wanted
    assert "# as it came" in after
    assert "# --- alarms ---" in after
    assert f"+normal_rise_k = {wanted['normal_rise_k']}" in shown
    (backup,) = site.folder.glob("config.toml.before-*")
    assert backup.read_text() == before
    assert backup.stat().st_mode == site.path.stat().st_mode


def test_status_tells_of_a_trial_that_was_left_open_for_a_day(site: Site, cabinet: Wire) -> None:
    site.tables = COMMISSIONED
    clock = HandClock(SystemClock().utc_ms() - 30 * 3_600_000)
    with watching(site.config(), clock):
        cabinet.wait_online()
        told(site, "begin", "slow-fan", "--device", "nas", "--change", "the fan at 7 V")
        wait_until(lambda: commands(site) > 0, "the trial")
        phase(site, "before")
        clock.let_pass(26 * 3600)
        wait_until(lambda: "left open" in forgotten(site), "what is said of it")


def forgotten(site: Site) -> str:
    """Look whether the open trial is told by both commands."""
    both = told(site, "list"), cabinetwatch(site.path, "status").stdout
    # Folded to the width of a terminal.
    flat = [" ".join(each.split()) for each in both]
    says = all("has been open for" in each and "trial end slow-fan" in each for each in flat)
    return "left open" if says else ""


def test_a_note_reaches_the_journal_and_the_report(site: Site, cabinet: Wire) -> None:
    with watching(site.config()):
        cabinet.wait_online()
        done = cabinetwatch(site.path, "note", "cleaned the filter", "--device", "nas")
        assert done.returncode == 0, done.stderr
        assert "Noted for nas: cleaned the filter" in done.stdout
        assert cabinetwatch(site.path, "note", "x", "--device", "toaster").returncode == 2
        assert cabinetwatch(site.path, "note", " ").returncode == 2
        assert cabinetwatch(site.path, "note", "x", "--at", "2999-01-01T00:00:00Z").returncode == 2
    with site.store() as store:
        (entry,) = [entry for _, entry in store.entries(EntryKind.COMMAND)]
    assert entry.data["text"] == "cleaned the filter"


def test_nothing_is_applied_from_a_trial_that_is_undecided(site: Site, cabinet: Wire) -> None:
    before = site.write().read_text()
    with watching(site.config()):
        cabinet.wait_online()
        told(site, "begin", "slow-fan", "--device", "nas", "--change", "the fan at 7 V")
        told(site, "phase", "slow-fan", "before")
        shown = told(site, "end", "slow-fan", "--apply", result=1)
        assert "Nothing is applied" in shown
        assert "There is no after phase yet." in shown
        assert "slow-fan stays open" in shown
        assert trial_of(site)["ended"] is None
    assert site.path.read_text() == before
    assert not list(Path(site.folder).glob("config.toml.before-*"))


def test_wrong_use_is_one_sentence(site: Site, cabinet: Wire) -> None:
    with watching(site.config()):
        cabinet.wait_online()
        for arguments in (
            ("begin", "slow-fan", "--device", "toaster", "--change", "x"),
            ("begin", "Slow Fan", "--device", "nas", "--change", "x"),
            ("phase", "nowhere", "before"),
            ("end", "nowhere"),
            ("report", "nowhere"),
            ("report",),
            ("report", "--device", "nas"),
            ("report", "x", "--device", "nas"),
            ("report", "--device", "nas", "--before", "soon/later", "--after", "a/b"),
        ):
            assert len(told(site, *arguments, result=2).splitlines()) == 1, arguments
