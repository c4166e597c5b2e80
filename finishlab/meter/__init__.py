"""Is the meter good enough: how far its readings can be trusted before trials are judged by them.

`study_meter` finds how much of the spread of readings is the meter's, `compare_meters` how
well two meters agree, `meter_drift` whether one has moved against its tiles. Readings come
from a record book or a table; trials, processes and models are not known here.

Rooms: `taken` (the table) -> `anova`, `outliers`, `spreads` (arithmetic) -> `flags`, `direction`,
`averaging`, `reliability` -> `study` -> `meter` (the result). `agreement` and `drift` stand for themselves.
"""

from finishlab.meter.agreement import MeterAgreement, compare_meters
from finishlab.meter.analysis import study_meter
from finishlab.meter.drift import MeterDrift, meter_drift
from finishlab.meter.meter_study import MeterStudy

__all__ = ["MeterAgreement", "MeterDrift", "MeterStudy", "compare_meters", "meter_drift", "study_meter"]
