"""Acting on an incident through the page: who may, what may be done, and what becomes of it.

A GET shows the incident with a button for each thing that can be done, and does nothing: programs
that look through mails follow links. A POST does one thing, from this very page, seldom enough, by
who has a grant: out of a mail's link, or out of a cookie that such a link or the PIN has left. What
is done goes into the store as a command, as the command line puts it there.
"""

import ipaddress
import logging
import math
import re
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from datetime import time as time_of_day
from http import HTTPStatus
from typing import Any, NamedTuple
from urllib.parse import SplitResult, urlsplit
from zoneinfo import ZoneInfo

from markupsafe import Markup

from cabinetwatch.clock import Clock
from cabinetwatch.config.model import SITE_SUBJECT, Config
from cabinetwatch.notify.links import (
    ACT,
    ANY,
    LASTS_MS,
    Grant,
    NoKeyError,
    read_grant,
    read_key,
    same,
    sign,
    signature,
)
from cabinetwatch.notify.mail import DEVICE_CAUTIONS, NO_SMOKE_ALARM, TEMPLATES
from cabinetwatch.report.words import FOLDER, policy_hash, short_time
from cabinetwatch.store.replay import Asked, ask_watch
from cabinetwatch.store.store import Store
from cabinetwatch.text import (
    NBSP,
    ConfigError,
    StoreError,
    describe_duration,
    from_datetime,
    to_datetime,
    to_rfc3339,
)
from cabinetwatch.watch.alarms import LONGEST_HIGH_S
from cabinetwatch.watch.conditions.base import listed
from cabinetwatch.watch.events import Account, AlarmState, Priority, Transition

_log = logging.getLogger(__name__)

HTML = "text/html; charset=utf-8"
SIGNED_IN = "incident"
"""The path under which the page takes who has a cookie, or the PIN."""
SHORTEST_PIN = 6
"""With twenty tries in a quarter of an hour, six figures are guessed in a year and a half."""
WITH_PIN = "somebody with the PIN"

_LINK_COOKIE, _PIN_COOKIE = "cabinetwatch-link", "cabinetwatch-pin"
_ID = re.compile(r"[0-9a-z]{1,32}")
_ANSWER_WITHIN_S = 5.0
_WITHIN_MS = 60_000
"""How late the watch may do it: later the incident may be another than somebody was shown."""
_CLOCK_HOURS = (7, 19)
_SERVICE_HOURS = (1, 4, 24)
_HOUR_MS = 3_600_000

_STYLE = (FOLDER / "page.css").read_text(encoding="utf-8")
_POLICY = (
    f"default-src 'none'; style-src {policy_hash(_STYLE)}; img-src 'self'; base-uri 'none';"
    " form-action 'self'"
)
"""The page's style and icon, forms that go back to where they came from, and no script at all."""


def read_pin(config: Config) -> str | None:
    """Give the PIN of the page, or None without one.

    Raises:
        ConfigError: it can't be read, or is too short.
    """
    secret = config.secret("page-pin")
    pin = None if secret is None else secret.get_secret_value()
    if pin is not None and len(pin) < SHORTEST_PIN:
        raise ConfigError([f"the page's PIN has fewer than {SHORTEST_PIN} characters; give more"])
    return pin


class Rate:
    """Lets so many through in a span of time: of one address, and of all of them together."""

    def __init__(self, of_one: int, of_all: int, span_s: float) -> None:
        self._of_one, self._of_all, self._span_s = of_one, of_all, span_s
        self._lock = threading.Lock()
        self._began_s = -span_s
        # No more addresses than are let through.
        self._counts: Counter[str] = Counter()

    def lets(self, address: str) -> bool:
        """Count one more of an address, if it may pass."""
        network, now_s = network_of(address), time.monotonic()
        with self._lock:
            if now_s - self._began_s >= self._span_s:
                self._began_s = now_s
                self._counts.clear()
            few = self._counts.total() < self._of_all and self._counts[network] < self._of_one
            if few:
                self._counts[network] += 1
            return few

    def give_back(self, address: str) -> None:
        """Uncount one that was let through: it was none of those to be bounded."""
        with self._lock:
            # In place this keeps no count below 1: it may have been forgotten meanwhile.
            self._counts -= Counter([network_of(address)])


def network_of(address: str) -> str:
    """Give what one household or attacker has: an address of IPv4, a network of IPv6."""
    parsed = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(parsed, ipaddress.IPv4Address):
        return str(parsed)
    return str(parsed.ipv4_mapped or ipaddress.ip_network((int(parsed) >> 64 << 64, 64)))


class Choice(NamedTuple):
    """Something that can be done about an incident now, and what it means."""

    value: str
    label: str
    says: str
    commands: tuple[Mapping[str, Any], ...]


def choices_of(
    account: Account, config: Config, now_ms: int, standing: Iterable[Transition] = ()
) -> list[Choice]:
    """Give what can be done about an incident at an instant (UTC), the first thing first.

    What is suppressed among what stands is of it, too: it would come out as soon as only what
    suppresses it is out of service.
    """
    behind = [each.subject for each in standing if each.id in account.alarms]
    subjects = [e for e in dict.fromkeys((*account.subjects, *behind)) if e != SITE_SUBJECT]
    names = [config.name_of(each) for each in subjects]
    ack: tuple[Mapping[str, Any], ...] = ({"command": "ack", "id": account.id},)
    if account.is_over:
        return [Choice("seen", "Seen", "It is over; now it leaves the page, too.", ack)]
    if account.is_hidden:
        undone: dict[str, tuple[Mapping[str, Any], ...]] = {
            AlarmState.SHELVED: ({"command": "unshelve", "incident": account.id},),
            AlarmState.OUT_OF_SERVICE: tuple(
                {"command": "service-in", "subject": each} for each in subjects
            ),
        }
        commands = undone.get(account.state, ())
        says = "Shown again at once. If it is still on and was not seen before, you are notified."
        return [Choice("again", "Watch it again now", says, commands)] if commands else []
    found = []
    if account.state == AlarmState.UNACKNOWLEDGED:
        says = "No more reminders. You are still notified if it gets worse, and when it is over."
        found.append(Choice("seen", "Seen", says, ack))
    longest_s = LONGEST_HIGH_S if account.priority is Priority.HIGH else math.inf
    for until_ms in _clock_times(config.site.timezone, now_ms, longest_s):
        clock = short_time(until_ms, config.site.timezone, "%H:%M")
        lasts = describe_duration((until_ms - now_ms) / 1000)
        says = f"Hidden for {lasts}, then shown again. You are notified of what comes on top."
        command = {"command": "shelve", "incident": account.id, "until": to_rfc3339(until_ms)}
        command["reason"] = f"not before {clock}"
        value, label = f"not-before-{until_ms}", f"Not before {clock}"
        found.append(Choice(value, label, says, (command,)))
    for hours in _SERVICE_HOURS if subjects else ():
        until_ms = now_ms + hours * _HOUR_MS
        until = short_time(until_ms, config.site.timezone, "%a %H:%M")
        says = f"No alarm of {listed(names)} until {until}, whatever happens."
        command = {"command": "service-out", "until": to_rfc3339(until_ms)}
        command["reason"] = "working on it"
        commands = tuple(command | {"subject": each} for each in subjects)
        found.append(Choice(f"working-{hours}", f"Working on it, {hours}{NBSP}h", says, commands))
    return found


def _clock_times(timezone: str, now_ms: int, longest_s: float) -> list[int]:
    """Give the next morning and evening (UTC, ms) as far as they are near enough.

    The night in which summer time ends is an hour longer than the longest: the full hour before it
    stands for its morning.
    """
    zone = ZoneInfo(timezone)
    today: date = to_datetime(now_ms).astimezone(zone).date()
    moments = [
        from_datetime(datetime.combine(today + timedelta(days), time_of_day(hour), zone))
        for days in (0, 1)
        for hour in _CLOCK_HOURS
    ]
    coming = [each for each in moments if each > now_ms][: len(_CLOCK_HOURS)]
    near = [each for each in coming if each - now_ms <= longest_s * 1000]
    return near or [coming[0] - _HOUR_MS]


def split_url(text: str) -> SplitResult | None:
    """Take apart what somebody sent as a URL; None where it is none, as `http://[`."""
    try:
        return urlsplit(text)
    except ValueError:
        return None


class Request(NamedTuple):
    """What somebody asks of the page, as far as it matters here; `form` is None for a GET."""

    path: str
    address: str
    host: str
    origin: str | None
    fetch_site: str | None
    cookie: str
    form: Mapping[str, str] | None


class Response(NamedTuple):
    """What they get, with the policy for it; `keep`: a browser may show it again later."""

    status: HTTPStatus
    kind: str
    content: bytes
    policy: str = "default-src 'none'"
    keep: bool = False
    referrer: str = "no-referrer"
    headers: Sequence[tuple[str, str]] = ()


class Outcome(NamedTuple):
    """What became of a form: the status, what was done, and why not."""

    status: HTTPStatus
    done: str = ""
    refusal: str = ""


class _RefusedError(Exception):
    """Nothing is done: one sentence that says why, and the status that goes with it."""

    def __init__(self, status: HTTPStatus, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


# The first sentence of each is its heading.
_GONE = "This incident is over. There is nothing left to do."
_CHANGED = "Nothing was done. It has changed since you opened this page; this is how it is now."
_DONE = "Nothing was done. That was done already, or can't be done any more."
_STRANGE = "Nothing was done. This did not come from this page; open the link in the mail again."
_INVALID = "This link is not valid. Nothing was done; open the link in the newest mail."
_TOO_MANY = "Too many tries. Nothing was done; wait a quarter of an hour."
_TOO_QUICK = "Too much at once. Nothing was done; wait a minute."
_NOBODY = "Nothing was done. The page does not know who you are; open the link in a mail."
_WRONG_PIN = "That is not the PIN. Nothing was done."
_NO_KEY = "Nothing was done. The page can't tell who you are; its log says why."
_WATCH_DOWN = "Nothing was done. The watch accepts nothing now; see below what is wrong with it."
_WAITS = "The watch has not answered. It does this within a minute, or not at all."


class Actions:
    """Answers what is asked below `/act/` and `/incident/`. For any number of threads.

    `look` gives an incident and what is shown around it (`page.incident_of`), as they are now or,
    where that will do, were a moment ago.

    Raises:
        ConfigError: the PIN can't be read, or is too short.
    """

    def __init__(
        self, config: Config, look: Callable[[str, bool], dict[str, Any]], clock: Clock
    ) -> None:
        self._config, self._look, self._clock = config, look, clock
        self._zone = config.site.timezone
        self._url = urlsplit((config.page and config.page.url) or "")
        self._pin = read_pin(config) or ""
        self._deeds = Rate(of_one=10, of_all=30, span_s=60.0)
        self._guesses = Rate(of_one=20, of_all=100, span_s=900.0)
        self._pins = Rate(of_one=5, of_all=20, span_s=900.0)
        self._doing = threading.Lock()
        self._last: tuple[Mapping[str, str], float, Outcome] | None = None
        self._has_no_key = False

    @property
    def host(self) -> str:
        """The host under which people find the page."""
        return self._url.hostname or ""

    @staticmethod
    def answers(path: str) -> bool:
        """Whether a path is answered here."""
        return path.startswith((f"/{ACT}/", f"/{SIGNED_IN}/"))

    def answer(self, asked: Request) -> Response:
        """Answer a request; what is refused gets a page that says why."""
        try:
            return self._answer(asked, self._key())
        except _RefusedError as error:
            return self._page({}, Outcome(error.status, refusal=str(error)))
        except StoreError as error:
            sentence = f"Nothing was done. {error}"
            return self._page({}, Outcome(HTTPStatus.SERVICE_UNAVAILABLE, refusal=sentence))

    def _key(self) -> bytes:
        try:
            key = read_key(self._config.store_path())
        except NoKeyError as error:
            if not self._has_no_key:
                _log.warning("nobody can act through the page: %s", error)
            self._has_no_key = True
            raise _RefusedError(HTTPStatus.SERVICE_UNAVAILABLE, _NO_KEY) from error
        self._has_no_key = False
        return key

    def _answer(self, asked: Request, key: bytes) -> Response:
        kind, _, name = asked.path[1:].partition("/")
        grant: Grant | None
        if kind == ACT:
            grant, credential = self._granted(key, name, asked.address), name
            incident, headers = grant.incident, [self._cookie(_LINK_COOKIE, name, grant)]
        else:
            incident, headers = name, []
            if not _ID.fullmatch(incident):
                raise _RefusedError(HTTPStatus.NOT_FOUND, "There is no such incident.")
            grant, credential = self._signed_in(key, asked.cookie, incident)
        shown = self._look(incident, grant is not None)
        if shown["incident"] is None:
            # With a signed link there was one; else there may never have been.
            status = HTTPStatus.GONE if grant is not None else HTTPStatus.NOT_FOUND
            raise _RefusedError(status, _GONE)
        form = signature(key, "form", credential, incident)
        if asked.form is None:
            return self._page(shown, grant=grant, form=form, key=key, headers=headers)
        if not self._is_from_here(asked) or not same(asked.form.get("form", ""), form):
            raise _RefusedError(HTTPStatus.FORBIDDEN, _STRANGE)
        if grant is None:
            return self._sign_in(asked, key, shown, form)
        if not self._deeds.lets(asked.address):
            raise _RefusedError(HTTPStatus.TOO_MANY_REQUESTS, _TOO_QUICK)
        # One after the other: a thumb taps twice, and the second tap's answer is the one it sees.
        with self._doing:
            outcome = self._do_once(asked, grant, key, incident)
        again = self._look(incident, True)
        return self._page(again, outcome, grant=grant, form=form, key=key)

    # -- who it is ------------------------------------------------------------------------------

    def _granted(self, key: bytes, signed: str, address: str) -> Grant:
        """Give the grant of a link.

        Raises:
            _RefusedError: it is forged, or was good until some time ago.
        """
        grant = read_grant(key, signed)
        if grant is None or grant.incident == ANY:
            if not self._guesses.lets(address):
                raise _RefusedError(HTTPStatus.TOO_MANY_REQUESTS, _TOO_MANY)
            raise _RefusedError(HTTPStatus.FORBIDDEN, _INVALID)
        if grant.until_ms <= self._clock.utc_ms():
            until = short_time(grant.until_ms, self._zone)
            sentence = f"This link was good until {until}. Open the link in a newer mail."
            raise _RefusedError(HTTPStatus.GONE, sentence)
        return grant

    def _signed_in(self, key: bytes, cookie: str, incident: str) -> tuple[Grant | None, str]:
        """Give what a cookie grants of an incident, and the letters that say so."""
        # A host has one jar for all that runs on it, and what others put there can be any letters.
        sent = [each.strip().partition("=") for each in cookie.split(";")]
        now_ms = self._clock.utc_ms()
        for name, its_key, whose in (
            (_PIN_COOKIE, self._pin_key(key), ANY),
            (_LINK_COOKIE, key, incident),
        ):
            for its_name, _, signed in sent:
                grant = read_grant(its_key, signed) if its_name == name else None
                if grant is not None and grant.incident == whose and grant.until_ms > now_ms:
                    return grant, signed
        return None, ""

    def _pin_key(self, key: bytes) -> bytes:
        """Give the key of the PIN's cookies: once there is another PIN they are worth nothing.

        Without a PIN nothing was ever signed under it.
        """
        return signature(key, "pin", self._pin).encode()

    def _sign_in(self, asked: Request, key: bytes, shown: dict[str, Any], form: str) -> Response:
        given = (asked.form or {}).get("pin", "")
        if not self._pin or not given:
            raise _RefusedError(HTTPStatus.FORBIDDEN, _NOBODY)
        if not self._pins.lets(asked.address):
            raise _RefusedError(HTTPStatus.TOO_MANY_REQUESTS, _TOO_MANY)
        if same(given, self._pin):
            self._pins.give_back(asked.address)
        else:
            _log.warning("a wrong PIN for the page came from %s", asked.address)
            wrong = Outcome(HTTPStatus.FORBIDDEN, refusal=_WRONG_PIN)
            return self._page(shown, wrong, form=form, key=key)
        grant = Grant(ANY, self._clock.utc_ms() + LASTS_MS, WITH_PIN)
        cookie = self._cookie(_PIN_COOKIE, sign(self._pin_key(key), grant), grant)
        # Asked for anew, so that a reload sends no PIN.
        headers = [cookie, ("Location", asked.path)]
        return self._page(shown, Outcome(HTTPStatus.SEE_OTHER), headers=headers)

    def _cookie(self, name: str, value: str, grant: Grant) -> tuple[str, str]:
        left_s = max(0, grant.until_ms - self._clock.utc_ms()) // 1000
        # At a path of ours: a cookie goes to every port of its host. One for each incident.
        path = f"/{SIGNED_IN}/{'' if grant.incident == ANY else grant.incident}"
        secure = "; Secure" if self._url.scheme == "https" else ""
        limits = f"Max-Age={left_s}; Path={path}; HttpOnly; SameSite=Strict{secure}"
        return "Set-Cookie", f"{name}={value}; {limits}"

    def _is_from_here(self, asked: Request) -> bool:
        """Whether a form was sent by this page: browsers name the origin of every POST.

        A proxy in front of the page may have changed the host.
        """
        if asked.fetch_site not in {None, "same-origin"} or asked.origin is None:
            return False
        origin = split_url(asked.origin)
        ours = {asked.host.lower(), self._url.netloc.lower()}
        if origin is None or origin.scheme not in {"http", "https"}:
            return False
        return origin.netloc.lower() in ours

    # -- what is done ---------------------------------------------------------------------------

    def _do_once(self, asked: Request, grant: Grant, key: bytes, incident: str) -> Outcome:
        """Do what was chosen, unless this form has just done it: then say again what it did."""
        form, now_s = asked.form or {}, time.monotonic()
        outcome = self._do(asked, grant, key, self._look(incident, True))
        if outcome.status is HTTPStatus.OK:
            self._last = form, now_s, outcome
        elif outcome.status is HTTPStatus.CONFLICT and self._last is not None:
            did, at_s, earlier = self._last
            if did == form and now_s - at_s < _WITHIN_MS / 1000:
                return earlier
        return outcome

    def _do(self, asked: Request, grant: Grant, key: bytes, shown: dict[str, Any]) -> Outcome:
        incident, form = shown["incident"], asked.form or {}
        if not shown["present"].snapshot.running:
            return Outcome(HTTPStatus.SERVICE_UNAVAILABLE, refusal=_WATCH_DOWN)
        if incident is None:
            return Outcome(HTTPStatus.GONE, refusal=_GONE)
        account = incident["account"]
        standing = shown["present"].snapshot.standing
        offered = choices_of(account, self._config, self._clock.utc_ms(), standing)
        chosen = next((each for each in offered if each.value == form.get("do")), None)
        if chosen is None:
            return Outcome(HTTPStatus.CONFLICT, refusal=_DONE)
        if not same(form.get("seen", ""), _as_seen(key, account)):
            return Outcome(HTTPStatus.CONFLICT, refusal=_CHANGED)
        done_by = to_rfc3339(self._clock.utc_ms() + _WITHIN_MS)
        more = {"by": grant.who, "address": asked.address, "done_by": done_by}
        with Store.open(self._config.store.url, read_only=True) as store:
            commands = [{**command, **more} for command in chosen.commands]
            answers = ask_watch(store, commands, self._clock, _ANSWER_WITHIN_S)
        return _outcome(answers)

    def _page(
        self,
        shown: dict[str, Any],
        outcome: Outcome = Outcome(HTTPStatus.OK),  # noqa: B008 - it can't be changed
        *,
        grant: Grant | None = None,
        form: str = "",
        key: bytes = b"",
        headers: Sequence[tuple[str, str]] = (),
    ) -> Response:
        incident = shown.get("incident")
        choices: list[Choice] = []
        if incident and grant is not None and shown["present"].snapshot.running:
            standing, now_ms = shown["present"].snapshot.standing, self._clock.utc_ms()
            choices = choices_of(incident["account"], self._config, now_ms, standing)
        until = None if grant is None else short_time(grant.until_ms, self._zone, f"%a{NBSP}%H:%M")
        text = TEMPLATES.get_template("report/templates/action.html.j2").render(
            page={"site": self._config.site.name, "acts": False} | shown,
            choices=choices,
            done=outcome.done,
            refusal=outcome.refusal,
            form=form,
            seen=_as_seen(key, incident["account"]) if incident else "",
            grant=grant,
            until=until,
            has_pin=bool(self._pin),
            # Ours, and the policy's hash is of these very letters.
            style=Markup(_STYLE),  # noqa: S704
            cautions=DEVICE_CAUTIONS,
            no_smoke_alarm=NO_SMOKE_ALARM,
        )
        content = text.encode("utf-8", "replace")
        # Under no-referrer a browser would call the origin of a form null. This one never names a
        # path, so a link's letters get nowhere.
        status, referrer = outcome.status, "strict-origin"
        return Response(status, HTML, content, _POLICY, referrer=referrer, headers=headers)


def _as_seen(key: bytes, account: Account) -> str:
    """Sign what somebody was shown: what has changed since is not done unseen."""
    return signature(key, "seen", account.id, account.state, account.priority, *account.alarms)


def _outcome(answers: list[Asked]) -> Outcome:
    said = " ".join(each.text for each in answers)
    if any(each.done is False for each in answers):
        nothing = "" if any(each.done for each in answers) else "Nothing was done. "
        return Outcome(HTTPStatus.CONFLICT, refusal=nothing + said)
    if all(each.done for each in answers):
        return Outcome(HTTPStatus.OK, done=said)
    return Outcome(HTTPStatus.ACCEPTED, refusal=_WAITS)
