"""What happens in the demonstration, when, and what the watch must have told by the end."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from cabinetwatch.demo.cabinet import Cabinet
from cabinetwatch.demo.household import under_stairs
from cabinetwatch.demo.instruments import Instruments, instrument
from cabinetwatch.demo.observer import Told
from cabinetwatch.times import from_datetime, to_datetime

RATE = 30.0
"""How many times faster than life the demonstration runs."""

SEED = 20
TIME_ZONE = "Europe/Dublin"
START_HOUR, START_MINUTE = 19, 40
MINUTE_S = 60.0
END_S = 33 * MINUTE_S


class Stage:
    """The cabinet and its instruments, for the acts to work on."""

    def __init__(self) -> None:
        self.cabinet: Cabinet = under_stairs(start_hour=START_HOUR + START_MINUTE / 60, seed=SEED)
        self.instruments: Instruments = instrument(self.cabinet, SEED)

    def stall_fan(self, *, stalled: bool) -> None:
        """Stall the fan of the NAS, or free it."""
        self.cabinet.devices["nas"].fan_stalled = stalled

    def kill_probe(self, *, dead: bool) -> None:
        """Let the amplifier's temperature probe die, or replace it."""
        self.instruments.probes["amplifier-air"].dead = dead


@dataclass(frozen=True)
class Act:
    """Something that happens in the cabinet at `at_s` after the start."""

    at_s: float
    says: str
    do: Callable[[Stage], None]


@dataclass(frozen=True)
class Expected:
    """A transition that the watch must tell between two instants after the start."""

    subject: str
    condition: str
    states: frozenset[str]
    after_s: float
    by_s: float

    def __str__(self) -> str:
        states = " or ".join(sorted(self.states))
        return f"{self.condition} of {self.subject} becoming {states}"

    def find(self, told: Iterable[tuple[float, Told]]) -> Told | None:
        """Give the first fitting transition out of pairs of seconds after the start and it."""
        for at_s, transition in told:
            if (
                self.after_s <= at_s <= self.by_s
                and transition.subject == self.subject
                and transition.condition == self.condition
                and transition.state in self.states
            ):
                return transition
        return None


_RAISED = frozenset({"unacknowledged"})
_BACK = frozenset({"returned", "normal"})
_STALL_S, _FREE_S = 5 * MINUTE_S, 16 * MINUTE_S
_DIE_S, _REPLACE_S = 23 * MINUTE_S, 28 * MINUTE_S

ACTS = (
    Act(
        20.0,
        "An ordinary evening: everything runs, the amplifier plays, the watch is silent.",
        lambda stage: None,
    ),
    Act(
        _STALL_S,
        "The fan of the NAS stalls. Nobody is near; the temperature still looks harmless.",
        lambda stage: stage.stall_fan(stalled=True),
    ),
    Act(
        _FREE_S,
        "Somebody has read the mails and, from outside, pulled away the cable that held the fan:"
        " it turns again.",
        lambda stage: stage.stall_fan(stalled=False),
    ),
    Act(
        _DIE_S,
        "The amplifier's temperature sensor dies. Its node goes on sending, without a figure.",
        lambda stage: stage.kill_probe(dead=True),
    ),
    Act(
        _REPLACE_S,
        "The dead sensor is replaced.",
        lambda stage: stage.kill_probe(dead=False),
    ),
)

# Before the next act: these minutes are seconds, in which a busy machine may do something else.
EXPECTED = (
    Expected("nas", "fan-slow", _RAISED, _STALL_S, _FREE_S),
    Expected("nas", "over-derating", _RAISED, _STALL_S, _FREE_S),
    Expected("nas", "fan-slow", _BACK, _FREE_S, _DIE_S),
    Expected("nas", "over-derating", _BACK, _FREE_S, _DIE_S),
    Expected("amplifier-air", "silent", _RAISED, _DIE_S, _REPLACE_S),
    Expected("amplifier-air", "silent", _BACK, _REPLACE_S, END_S),
)


def start_utc_ms(now_utc_ms: int) -> int:
    """Give the start of the last simulated evening that is wholly past, in ms since 1970.

    In the past, so that the commands typed afterwards find it where they look by default.
    """
    zone = ZoneInfo(TIME_ZONE)
    now = to_datetime(now_utc_ms).astimezone(zone)
    start = datetime(now.year, now.month, now.day, START_HOUR, START_MINUTE, tzinfo=zone)
    if start + timedelta(seconds=END_S) > now:
        # Wall-clock arithmetic within one zone: twenty to eight the evening before.
        start -= timedelta(days=1)
    return from_datetime(start)


def trial_start_utc_ms(now_utc_ms: int) -> int:
    """Give nine in the morning of the day before yesterday: the trial record begins there."""
    zone = ZoneInfo(TIME_ZONE)
    day = (to_datetime(now_utc_ms).astimezone(zone) - timedelta(days=2)).date()
    return from_datetime(datetime(day.year, day.month, day.day, 9, tzinfo=zone))


def clock_time(utc_ms: int) -> str:
    """Give the simulated time of day as the household's clock shows it."""
    return to_datetime(utc_ms).astimezone(ZoneInfo(TIME_ZONE)).strftime("%H:%M:%S")
