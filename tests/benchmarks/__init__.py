"""What the watch is measured by: how soon it finds what, how fast, and what it costs.

`python -m tests.benchmarks.detection` measures detection on three physics that share no code with
`thermal/`, the third none with the others either: `--physics one` is a network of masses with
convection, at intervals of 5 s to 10 min; `--physics two` a house (hall, cabinet, four devices of
component, chassis and air stream each, at 5 to 30 s); `--physics three` whole houses of thirteen
sensors through the whole engine (`houses`): half stalls of 1.3 to 1.6, sensors that stand still.
Each device runs sound, and through a stall, half a stall (rise times 1.4) and an intake blocked
over ten minutes; `--calm` lets nothing else happen on the days of faults, for forecasts can't know
a load that is still to come. Beside ours stand the tightest
setpoint on raw rise that raises nothing on the same record, held for 60 s, and an oracle that knows
all but the noise (`yardsticks`). `tests.benchmarks.drift` runs half a year with and without dust,
`tests.benchmarks.forecast` asks how true a told time left is. Change nothing in `thermal/` for one
physics that the other doesn't bear out.

`tests/watch/world.py` is a small physical world for tests of such conditions: values that jump
from level to level say nothing of where a device is heading, and are set aside.
"""
