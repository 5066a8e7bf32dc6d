"""Physics and statistics of warm equipment: pure, standard library only, no clock, no file.

1. *Value filter.* `thermal.sensing.ValueFilter` sees each value of every quantity first, by the
   range that `Config.credible` gives and the manner of its quantity. Beyond
   `config.values.POSSIBLE` nothing is a reading, and the core reckons only with what lies within:
   its public functions refuse more with a ValueError at their border (`DeviceObserver`, `learn`,
   the bench sums; inside it nothing is checked), and `test_total` of `tests/thermal` and
   `tests/watch` drives all of them with any float. What the filter sets aside is not taken; the
   sensor counts as heard. When wild values go on the sensor is implausible: no longer `good`, so
   that every condition on it keeps its state. `watch.sensors` does the same for a sensor that
   stands still while its witnesses (`watch.site`) move. Fault codes are converted as the decoder
   converts payloads, so that they compare exactly.
2. *Stepping.* Good values go to the `thermal.device.DeviceObserver` of every device that has the
   sensor. It judges at steps of some ten seconds, each taken inside the call that completes it,
   and says so; only then are the conditions on heading asked. That, and that most readings change
   no judgement, is what makes a replay fast (`python -m tests.benchmarks.replay`): a reading costs
   a few microseconds, a step some ten times as much.
3. *Heading.* `thermal.rise` takes from the temperature what ambient and load explain through the
   learnt response, and gives what is left to a row of Kalman filters with different time
   constants, weighed by success (`heading`): level and goal, each with its doubt. Lost cooling
   stretches the response, since the heat capacity stays.
4. *Detection.* `thermal.detection.ChangeTest` holds two bounds (`BoundTest`: single windows, and
   the filtered level) against the highest rise that sound cooling could show by now, and a
   cumulative sum of means over half a time constant against what is normal. Their limits follow
   from `false_alarms_per_year`; what ordinary life was seen to pass them by in learning widens
   them (`learning`: the highest of each day, carried to a year), and the bound relaxes as slowly
   as it can without being passed. While a device without power is cold, and for three time
   constants after, nothing above normal is judged, known as off or not. Before anything is learnt
   of one, `LoadExcursions` holds those that went by themselves. `watch.conditions.base` keeps a
   loss that comes and goes from being told every day.
5. *Forecast* (`forecast`). Before a loss, the filters' headings, held within the normal band.
   From a loss on, `thermal.heading`: all that was seen since the change, fitted as a row of
   relaxations that follow the known load. A step asks only how likely the threshold is; when it
   is reached is solved once somebody is told. `ForecastWatch` tells a forecast when steps in a row
   are sure of it.
6. *Learning* goes on inside the observer. The command `learn` is a journal entry: from now on, or
   with the state of an observer that `service.offline` has taught from the store, so that a replay
   needs no second look at the record.
"""
