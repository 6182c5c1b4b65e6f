"""One file a kind of finding; ALL lists them in the order in which they are asked."""

from __future__ import annotations

from alerts.findings import Rule
from alerts.rules.bands import bands
from alerts.rules.condensation import condensation
from alerts.rules.disease import disease
from alerts.rules.doubtful import doubtful
from alerts.rules.drifting import drifting
from alerts.rules.dry import dry
from alerts.rules.lamps import lamps
from alerts.rules.lightbands import light_bands
from alerts.rules.lighthours import light_hours
from alerts.rules.limits import limits
from alerts.rules.machine import machine
from alerts.rules.mould import mould
from alerts.rules.odd import odd
from alerts.rules.scales import scales
from alerts.rules.silence import silence
from alerts.rules.stays import stays
from alerts.rules.stillair import still_air

ALL: dict[str, Rule] = {
    "bands": bands,
    "drifting": drifting,
    "stays": stays,
    "light bands": light_bands,
    "light hours": light_hours,
    "condensation": condensation,
    "disease": disease,
    "still air": still_air,
    "limits": limits,
    "lamps": lamps,
    "dry": dry,
    "scales": scales,
    "silence": silence,
    "machine": machine,
    "doubtful": doubtful,
    "odd": odd,
    "mould": mould,
}
