"""What the summary says: the worst first, what needs attention, and text that fits a terminal."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from cabinetwatch.notify.mail import predicate
from cabinetwatch.report.summary_mail import html_of, present_sentence, text_of
from cabinetwatch.report.summary_week import AlarmWeek, DriftWeek, Week
from cabinetwatch.report.summary_words import (
    devices_in_full,
    events_of,
    matters_of,
    summary_of,
)
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.text import NBSP, plain, typeset
from cabinetwatch.watch.events import AlarmState, Transition
from tests.notify.samples import NOON_MS, make_config, transition
from tests.support import fortnight as story

WHEN = "Now (Wed 1 Jul 13:30)"


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


def notes(week: Week, heading: str) -> str:
    """Give what a section says in sentences, with plain blanks."""
    (section,) = [each for each in summary_of(week).sections if each.heading == heading]
    return " ".join(section.notes).replace(NBSP, " ")


def test_what_needs_attention_comes_by_urgency_with_what_to_do(week: Week) -> None:
    assert headings(week) == [
        "[Now] AV amplifier: losing its cooling",
        "[This week] AV amplifier: less margin for the hottest day",
        "[This week] UPS: out of service",
        "[This week] The watch: notices came late or not at all",
        "[When you have time] Sensor poe-switch-air: unreliable",
        "[When you have time] The watch: it did not run all week",
        "[When you have time] Sensor cabinet-humidity: above its limit, again and again",
    ]
    assert all(matter.todo for matter in matters_of(week))


def test_a_calm_week_needs_no_attention_and_says_so(week: Week) -> None:
    assert headings(calm(week)) == []
    summary = summary_of(calm(week))
    assert summary.tone == "well"
    assert "All well" in summary.subject
    assert summary.lead[0] == "All was well."
    assert summary.lead[1].startswith("NAS stayed below its derating threshold; least margin ")
    text = text_of(summary)
    assert "WHAT NEEDS ATTENTION" not in text
    assert "ALARMS OF THE WEEK" not in text


def over(alarm: AlarmWeek, began: int, minutes: float, **changes: object) -> AlarmWeek:
    """The same alarm, over after so long."""
    ended = {"began_utc_ms": began, "ended_utc_ms": began + round(60_000 * minutes)}
    state = {"state": "normal", "stood_s": 60.0 * minutes, "raises": 1}
    return replace(alarm, **(ended | state | changes))  # type: ignore[arg-type]


def test_the_worst_event_of_the_week_is_its_first_sentence(week: Week) -> None:
    # One that goes on first.
    assert (
        summary_of(week)
        .lead[0]
        .startswith(
            typeset(
                "AV amplifier: losing its cooling, since Fri 20 Nov 18:00 (2 d 6 h), still active."
            )
        )
    )
    # Of those that are over the one that took a device above its threshold, though shorter, and
    # though others are more; what is low never comes before.
    nas, *others = week.devices
    hot = replace(week, devices=[replace(nas, margin_k=-11.6), *others])
    first = story.MONDAY + 20 * story.HOUR_MS
    alarm = week.alarms[-1]
    alarms = [
        over(alarm, first, 300.0, subject="ups", name="UPS"),
        over(alarm, first + 60_000, 31.0, subject="nas", name="NAS", says="fan stopped"),
        over(alarm, first + 120_000, 20.0, subject="nas", name="NAS", says="too hot"),
        over(alarm, first, 6000.0, subject="nas", name="NAS", says="dusty", priority="low"),
    ]
    told = summary_of(replace(hot, alarms=alarms))
    assert told.lead[0] == typeset(
        "NAS: fan stopped; too hot, Mon 16 Nov 20:01 to 20:32 (31 min), over. And 2 more events."
    )
    assert told.lead[1].startswith(typeset("NAS went as much as 11.6 K above its derating"))
    assert told.tone == "look"
    assert "NAS: fan stopped; too hot (over)" in told.subject
    # The device of the worst event is told in full first.
    assert devices_in_full(replace(hot, alarms=alarms))[0].id == "nas"


def test_alarms_of_one_subject_are_one_event_while_their_times_touch(week: Week) -> None:
    first, alarm = story.MONDAY, week.alarms[-1]
    alarms = [over(alarm, first + at * 60_000, 10.0) for at in (0, 5, 12, 40)]
    events = events_of(replace(week, alarms=alarms))
    assert sorted(len(event.alarms) for event in events) == [1, 3]


def test_a_week_that_still_runs_is_told_up_to_now(week: Week) -> None:
    running = replace(week, made_utc_ms=week.to_utc_ms - 60_000)
    assert summary_of(running).span.endswith("so far, up to Sun 22 Nov 23:59")


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
        told = "went as much as 1.2 K above its derating threshold"
        assert typeset(f"NAS {told}") in summary_of(worse).lead[1]
        assert told in plain(matters_of(worse)[0].text)


def test_what_a_standing_alarm_tells_is_not_told_again(week: Week) -> None:
    nas = replace(week.devices[0], hot_day_margin_k=-0.5, hot_day_margin_last_week_k=-0.4)
    alarm = replace(week.alarms[-1], subject="nas", condition="hot-day", says="too warm")
    (told,) = matters_of(replace(calm(week), devices=[nas], alarms=[alarm]))
    # In the words of its transition.
    assert told.text.startswith(alarm.text)
    assert told.todo == alarm.response


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
    assert "For 15 min in all it heard only part of what was sent" in plain(told.text)


def test_in_full_are_only_devices_that_changed_and_no_more_than_a_phone_holds(week: Week) -> None:
    nas, *rest = (replace(device, hot_day_margin_last_week_k=None) for device in week.devices)
    steady = replace(calm(week), devices=[replace(nas, settled_rise_last_week_k=None), *rest])
    steady = replace(
        steady, devices=[replace(d, settled_rise_last_week_k=None) for d in steady.devices]
    )
    assert devices_in_full(steady) == []
    for change in (
        {"hot_day_margin_k": 5.0, "hot_day_margin_last_week_k": 3.9},
        {"settled_rise_k": 10.0, "settled_rise_last_week_k": 12.0},
        {"drift": DriftWeek(True, 0.02, 40.0)},
        {"learnt": "its normal rise was learnt."},
    ):
        changed = replace(nas, **change)
        assert devices_in_full(replace(steady, devices=[changed, *steady.devices[1:]])) == [changed]
    all_learnt = [replace(device, learnt="It was.") for device in week.devices]
    shown = summary_of(replace(steady, devices=all_learnt))
    in_full = [each.heading for each in shown.sections if each.pictures_of]
    assert len(in_full) == 2
    (table,) = [each for each in shown.sections if each.heading == "Devices"]
    assert table.table is not None
    assert [row[0] for row in table.table.rows] == [device.name for device in all_learnt]
    assert table.notes == ["Normal rise learnt this week: UPS, AV amplifier."]


def test_what_there_is_too_much_of_is_counted(week: Week) -> None:
    alarms = [
        over(week.alarms[-1], story.MONDAY, 10.0, id=f"a{n}", subject=f"gear-{n}", name=f"Gear {n}")
        for n in range(9)
    ]
    sensors = [replace(week.sensors[3], id=f"sensor-{number}") for number in range(9)]
    told = summary_of(replace(week, alarms=alarms, sensors=sensors))
    shown = {each.heading: each for each in told.sections}
    assert shown["Alarms of the week"].notes[0] == "And 5 before these: cabinetwatch alarms."
    (unreliable,) = shown["Sensors"].notes
    assert unreliable == (
        "0 sensors heard without a fault; unreliable: sensor-0, sensor-1, sensor-2 and 6 more."
    )
    (more,) = shown["What needs attention"].notes
    matters = matters_of(replace(week, alarms=alarms, sensors=sensors))
    assert more.startswith(f"And {len(matters) - 4} more, among them: {matters[4].heading}; ")


@pytest.mark.parametrize(
    ("state", "seen"), [("unacknowledged", ""), ("acknowledged", ", acknowledged")]
)
def test_a_standing_alarm_is_told_with_one_length_of_time_and_whether_it_was_acknowledged(
    week: Week, state: str, seen: str
) -> None:
    alarm = next(each for each in week.alarms if each.subject == "av-amplifier")
    alarm = replace(
        alarm, state=state, text="It is warm; for 8\N{NO-BREAK SPACE}d 22\N{NO-BREAK SPACE}h now."
    )
    told = matters_of(replace(week, alarms=[alarm]))[0]
    assert told.heading == "AV amplifier: losing its cooling"
    length = "It is warm. Since Fri 20 Nov 18:00 (2 d 6 h), still active"
    assert plain(told.text) == f"{length}{seen}."


def test_alarms_are_counted_but_for_what_is_told_above(week: Week) -> None:
    assert notes(week, "Alarms of the week").endswith(
        "Raised: 12 (2 high, 10 medium), 1.7 a day, at most 1 within ten minutes."
    )


@pytest.mark.parametrize(
    ("starts", "crashes", "is_first", "words"),
    [
        (0, 0, False, ""),
        (1, 0, True, ""),
        (2, 1, False, "; restarted twice (once after a power cut or a kill);"),
    ],
)
def test_the_watch_says_how_often_it_was_restarted(
    starts: int, crashes: int, is_first: bool, words: str, week: Week
) -> None:
    watch = replace(week.watch, starts=starts, crashes=crashes, is_first=is_first)
    told = notes(replace(week, watch=watch), "The watch itself")
    assert words in told
    assert ("restarted" in told) == bool(words)


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
        "AV amplifier: losing its cooling, since",
        "WHAT NEEDS ATTENTION",
        "DEVICES",
        "AV AMPLIFIER",
        "ALARMS OF THE WEEK",
        "SENSORS",
        "THE WATCH ITSELF",
        "WHAT PEOPLE NOTED",
        "CAUTION",
        "NOTES",
        "This mail comes every week",
    ]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_a_figure_keeps_its_unit_and_a_negative_one_has_a_minus_sign(week: Week) -> None:
    devices = [replace(device, margin_k=-1.2, hot_day_margin_k=-0.5) for device in week.devices]
    text = text_of(summary_of(replace(week, devices=devices), "Now all is well."))
    assert not re.search(r"\d (?:K|°C|%|min|h|d|s)\b", text)
    assert not re.search(r"(?<![\w.-])-\d", text)
    assert "1.2\u00a0K above" in text
    assert "\u22120.5" in text


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
    assert page.text.count(evil) >= 3
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
    assert told_now(store) == f"{WHEN} no alarm is active."
    slow = transition(condition="fan-slow")
    hidden = replace(slow, state=AlarmState.SUPPRESSED, previous=slow.state)
    unseen = f" Hidden: NAS: {predicate(slow)}."
    assert told_now(store, slow, hidden) == f"{WHEN} no alarm is active.{unseen}"
    hot = replace(transition(), id="hot00001")
    assert told_now(store, hot) == f"{WHEN}: NAS: {predicate(hot)}.{unseen}"
    shelved = replace(hot, state=AlarmState.SHELVED, previous=hot.state)
    both = told_now(store, shelved).removeprefix(f"{WHEN} no alarm is active. Hidden: ")
    assert sorted(both.removesuffix(".").split(", ")) == sorted(
        f"NAS: {predicate(each)}" for each in (slow, hot)
    )
