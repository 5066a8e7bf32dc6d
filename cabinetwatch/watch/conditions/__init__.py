"""All conditions: one module each. A new one is a module here, a test and a row in the README."""

from cabinetwatch.watch.conditions.base import Condition
from cabinetwatch.watch.conditions.forecast import DeratingForecast, Drift, HotDay
from cabinetwatch.watch.conditions.heat import (
    CoolingLoss,
    FanSlow,
    OverDerating,
    OverRise,
    RiseMissing,
)
from cabinetwatch.watch.conditions.limits import Condensation, High, Low
from cabinetwatch.watch.conditions.sensor import AmbientLost, Implausible, Silent, Stuck
from cabinetwatch.watch.conditions.site import (
    BrokerLost,
    ClockStep,
    InputRefused,
    NoticeUndelivered,
    SessionTaken,
    StoreFault,
)

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
