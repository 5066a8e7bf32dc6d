"""All conditions: one module each. A new one is a module here, a test and a row in the README."""

from cabinetwatch.watch.conditions.ambient_lost import AmbientLost
from cabinetwatch.watch.conditions.base import Condition
from cabinetwatch.watch.conditions.broker_lost import BrokerLost
from cabinetwatch.watch.conditions.clock_step import ClockStep
from cabinetwatch.watch.conditions.condensation import Condensation
from cabinetwatch.watch.conditions.cooling_loss import CoolingLoss
from cabinetwatch.watch.conditions.derating_forecast import DeratingForecast
from cabinetwatch.watch.conditions.drift import Drift
from cabinetwatch.watch.conditions.fan_slow import FanSlow
from cabinetwatch.watch.conditions.hot_day import HotDay
from cabinetwatch.watch.conditions.implausible import Implausible
from cabinetwatch.watch.conditions.input_refused import InputRefused
from cabinetwatch.watch.conditions.limits import High, Low
from cabinetwatch.watch.conditions.notice_undelivered import NoticeUndelivered
from cabinetwatch.watch.conditions.over_derating import OverDerating
from cabinetwatch.watch.conditions.over_rise import OverRise
from cabinetwatch.watch.conditions.rise_missing import RiseMissing
from cabinetwatch.watch.conditions.session_taken import SessionTaken
from cabinetwatch.watch.conditions.silent import Silent
from cabinetwatch.watch.conditions.store_fault import StoreFault
from cabinetwatch.watch.conditions.stuck import Stuck

CONDITIONS: tuple[type[Condition], ...] = (
    OverDerating,
    FanSlow,
    CoolingLoss,
    DeratingForecast,
    OverRise,
    RiseMissing,
    HotDay,
    Drift,
    High,
    Low,
    Condensation,
    AmbientLost,
    Silent,
    Stuck,
    Implausible,
    SessionTaken,
    BrokerLost,
    StoreFault,
    NoticeUndelivered,
    InputRefused,
    ClockStep,
)
"""In the order in which alarms of one instant are told: the most urgent first."""

SPECS = tuple(condition.spec() for condition in CONDITIONS)
"""What the configuration must know of them."""
