"""What the summary says: one sentence, what needs a hand, and text that fits a terminal."""

from dataclasses import replace
from html.parser import HTMLParser

import pytest

from cabinetwatch.report.summary_mail import html_of, present_sentence, text_of
from cabinetwatch.report.summary_week import DriftWeek, Week
from cabinetwatch.report.summary_words import change_of, matters_of, summary_of, verdict_of
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import AlarmState, Transition
from tests.notify.samples import NOON_MS, make_config, transition

WHEN = "When this was written (Wed 1 Jul 13:30)"


def calm(week: Week) -> Week:
    """The same week with nothing wrong in it."""
    return replace(
        week,
        devices=week.devices[:1],
        sensors=[each for each in week.sensors if each.id == "hall"],
        alarms=[],
        measures=replace(week.measures, raises=0, chattering=[], stale=[], busiest=[]),
        hidden=[],
        watch=replace(week.watch, uptime=1.0, notices_late=0),
        remarks=[],
    )


def headings(week: Week) -> list[str]:
    return [f"[{matter.urgency}] {matter.heading}" for matter in matters_of(week)]


def pairs(week: Week, heading: str) -> dict[str, str]:
    """Give the labels of a section and what they say."""
    (section,) = [each for each in summary_of(week).sections if each.heading == heading]
    return dict(section.pairs)


def test_what_needs_a_hand_comes_by_urgency_with_what_to_do(week: Week) -> None:
    assert headings(week) == [
        "[Now] AV amplifier: losing its cooling",
        "[This week] AV amplifier: less margin for the hottest day",
        "[This week] UPS: still out of service",
        "[This week] The watch: notices did not come through in time",
        "[When you have time] Sensor poe-switch-air: not to be relied on",
        "[When you have time] The watch: it did not run all week",
        "[When you have time] Sensor cabinet-humidity: above its limit, again and again",
    ]
    assert all(matter.todo for matter in matters_of(week))


def test_a_calm_week_needs_no_hand_and_says_so(week: Week) -> None:
    assert headings(calm(week)) == []
    verdict = verdict_of(calm(week), [])
    assert (verdict.tone, verdict.short) == ("well", "All well")
    assert verdict.sentence.startswith("All was well: no alarm. NAS stayed at least ")
    text = text_of(summary_of(calm(week)))
    assert "\nNothing.\n" in text
    assert "None was raised, and none stood." in text


def test_a_week_that_still_runs_is_not_said_to_have_ended(week: Week) -> None:
    running = replace(week, made_utc_ms=week.to_utc_ms - 1)
    for each in (running, replace(running, alarms=[])):
        sentence = verdict_of(each, matters_of(each)).sentence
        assert "so far this week" in sentence
        assert "ended" not in sentence


@pytest.mark.parametrize(
    ("change", "heading"),
    [
        ({"hot_day_margin_k": -0.5}, "[This week] NAS: too warm for the hottest day"),
        (
            {"settled_rise_k": 14.0, "hot_day_margin_k": None},
            "[This week] NAS: warmer than its normal",
        ),
        (
            {"drift": DriftWeek(True, 0.02, 40.0)},
            "[When you have time] NAS: slowly losing its cooling",
        ),
        # Though the alarm is over.
        ({"margin_k": -1.24}, "[This week] NAS: was too hot for its load"),
    ],
)
def test_a_device_that_got_worse_is_told(
    change: dict[str, object], heading: str, week: Week
) -> None:
    nas = replace(week.devices[0], **change)  # type: ignore[arg-type]
    worse = replace(calm(week), devices=[nas, week.devices[1]])
    assert headings(worse) == [heading]
    if nas.margin_k == -1.24:
        told = "passed its derating threshold, by 1.2 K at the most"
        assert f"NAS {told}" in verdict_of(worse, []).sentence
        assert told in matters_of(worse)[0].text


def test_what_a_standing_alarm_tells_is_not_told_again(week: Week) -> None:
    nas = replace(week.devices[0], hot_day_margin_k=-0.5, hot_day_margin_last_week_k=-0.4)
    alarm = replace(week.alarms[-1], subject="nas", condition="hot-day", says="too warm")
    (told,) = matters_of(replace(calm(week), devices=[nas], alarms=[alarm]))
    assert told.text.endswith("On average over the week: hot-day margin -0.5 K.")


@pytest.mark.parametrize(
    ("change", "urgency"),
    [
        ({"uptime": 0.9}, "When you have time"),
        ({"notices_failed": 1}, "This week"),
        ({"readings_lost": 5}, "This week"),
        ({"days_left": 12.0}, "This week"),
        ({"uptime": 0.2, "is_first": True}, None),
    ],
)
def test_a_watch_that_did_not_do_well_is_told(
    change: dict[str, object], urgency: str | None, week: Week
) -> None:
    watch = replace(calm(week).watch, **change)  # type: ignore[arg-type]
    matters = matters_of(replace(calm(week), watch=watch))
    assert [matter.urgency for matter in matters] == ([] if urgency is None else [urgency])


def test_a_week_in_which_another_client_took_the_session_is_no_week_of_all_is_well(
    week: Week,
) -> None:
    taken = replace(
        week.alarms[0], subject="site", condition="session-taken", stood_s=900.0, state="normal"
    )
    (told,) = matters_of(replace(calm(week), alarms=[taken]))
    assert "client ID" in told.heading
    assert "For 15 min in all it heard only part of what was sent" in told.text


def test_what_got_worse_since_the_week_before_stands_at_the_top(week: Week) -> None:
    nas = replace(week.devices[0], hot_day_margin_k=1.2, hot_day_margin_last_week_k=2.0)
    ups = replace(nas, name="UPS", hot_day_margin_k=None, hot_day_margin_last_week_k=None)
    ups = replace(ups, settled_rise_k=9.9, settled_rise_last_week_k=9.0)
    words = (
        "Worse than the week before: UPS (settled rise 9.9 K, was 9.0 K),"
        " NAS (hot-day margin 1.2 K, was 2.0 K)."
    )
    changed = replace(calm(week), devices=[nas, ups])
    assert change_of(changed) == words
    text = " ".join(text_of(summary_of(changed)).split())
    assert text.index(words) < text.index("WHAT NEEDS A HAND")
    steady = replace(nas, hot_day_margin_last_week_k=1.6)
    assert change_of(replace(week, devices=[steady])) == "No device did worse than the week before."
    new = replace(ups, settled_rise_last_week_k=None)
    assert change_of(replace(week, devices=[new])) == ""


@pytest.mark.parametrize(("state", "seen"), [("unacknowledged", ""), ("acknowledged", ", ack")])
def test_a_standing_alarm_is_told_with_one_length_of_time_and_whether_it_was_acknowledged(
    week: Week, state: str, seen: str
) -> None:
    alarm = next(each for each in week.alarms if each.subject == "av-amplifier")
    alarm = replace(alarm, state=state, text="It is warm; it has been so for 8 d 22 h.")
    told = matters_of(replace(week, alarms=[alarm]))[0]
    assert told.heading == "AV amplifier: losing its cooling"
    assert told.text.startswith("Raised Fri 20 Nov 18:00, standing for 2 d 6 h" + seen)
    assert ("acknowledged" in told.text) == bool(seen)
    assert told.text.endswith("As last raised: It is warm.")


def test_the_busiest_are_named_and_what_came_once_is_counted(week: Week) -> None:
    busy = week.measures.busiest[0]
    once = replace(busy, raises=1)
    for busiest, words in (
        (
            [replace(busy, raises=3, share=0.6), once, once],
            f"{busy.name} {busy.says}: 3 (60 %); 2 others once each",
        ),
        ([once], "one alarm once"),
        ([], "none"),
    ):
        measured = replace(week, measures=replace(week.measures, busiest=busiest))
        assert pairs(measured, "Alarms of the week")["Busiest"] == words


@pytest.mark.parametrize(
    ("starts", "crashes", "is_first", "words"),
    [
        (0, 0, False, "never"),
        (1, 0, True, "never"),
        (2, 1, False, "twice, after a power cut or a kill once"),
    ],
)
def test_the_watch_says_how_often_it_was_restarted(
    starts: int, crashes: int, is_first: bool, words: str, week: Week
) -> None:
    watch = replace(week.watch, starts=starts, crashes=crashes, is_first=is_first)
    assert pairs(replace(week, watch=watch), "How the watch did")["Restarted"] == words


def test_the_text_fits_a_terminal_and_goes_in_the_order_in_which_one_asks(week: Week) -> None:
    long_name = "The very long name of a piece of gear that nobody would ever give to a thing"
    devices = [replace(week.devices[0], name=long_name), *week.devices[1:]]
    text = text_of(summary_of(replace(week, devices=devices), "When this was written all stood."))
    lines = text.splitlines()
    assert max(map(len, lines)) <= 76
    assert not any(line != line.rstrip() for line in lines)
    top = next(number for number, line in enumerate(lines) if line.startswith("Device  "))
    # Its columns stand below each other.
    assert len({len(line) for line in lines[top : top + 5]}) == 1
    order = [
        "Not well when the week ended: AV amplifier losing its cooling.",
        "WHAT NEEDS A HAND",
        "DEVICES",
        "SENSORS",
        "ALARMS OF THE WEEK",
        "HOW THE WATCH DID",
        "WHAT PEOPLE NOTED",
        "CAUTION",
        "This mail is also the proof of life",
    ]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


class Tags(HTMLParser):
    """What an HTML page is made of."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def test_markup_and_control_characters_show_as_text_and_are_not_obeyed(week: Week) -> None:
    evil = "<script>alert(1)</script><img src=x onerror=y>"
    devices = [replace(week.devices[0], name=evil)]
    turned = "clean\x1b[2J\u202e\r\nBcc: a@b.example"
    remarks = [replace(week.remarks[0], text=text) for text in (evil, turned)]
    summary = summary_of(replace(week, devices=devices, remarks=remarks, site=evil))
    page = Tags(html_of(summary))
    assert {"script", "img"}.isdisjoint(tag for tag, _ in page.tags)
    assert page.text.count(evil) >= 4
    for shown in (page.text, text_of(summary)):
        assert r"clean\x1b[2J\u202e\r\nBcc: a@b.example" in shown


def test_the_html_of_ten_devices_and_a_bad_week_is_small_and_takes_nothing_from_elsewhere(
    week: Week,
) -> None:
    devices = [
        replace(week.devices[number % 4], id=f"gear-{number}", name=f"Gear number {number}")
        for number in range(10)
    ]
    sensors = [replace(week.sensors[number % 6], id=f"sensor-{number}") for number in range(30)]
    alarms = [replace(week.alarms[number % 3], id=f"alarm-{number}") for number in range(40)]
    html = html_of(summary_of(replace(week, devices=devices, sensors=sensors, alarms=alarms)))
    assert len(html.encode()) < 100_000
    page = Tags(html)
    assert {"script", "link", "iframe", "form", "object"}.isdisjoint(tag for tag, _ in page.tags)
    for _, attributes in page.tags:
        assert {"src", "href", "background"}.isdisjoint(attributes)
    assert "url(" not in html
    assert "@import" not in html


def told_now(store: Store, *transitions: Transition) -> str:
    store.commit(Batch(NOON_MS, 0, transitions=list(transitions)))
    return present_sentence(store, make_config(), NOON_MS + 1_800_000)


def test_who_reads_it_fresh_is_told_what_stands_and_what_a_trial_or_a_shelf_hides(
    store: Store,
) -> None:
    assert told_now(store) == f"{WHEN} no alarm stood."
    slow = transition(condition="fan-slow")
    hidden = replace(slow, state=AlarmState.SUPPRESSED, previous=slow.state)
    unseen = " Hidden then: NAS running on a slow or stopped fan."
    assert told_now(store, slow, hidden) == f"{WHEN} no alarm stood.{unseen}"
    hot = replace(transition(), id="hot00001")
    assert told_now(store, hot) == f"{WHEN}: NAS above its derating threshold.{unseen}"
