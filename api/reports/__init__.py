"""The reports of the library as OpenAPI describes them."""

from api.reports.common import Source
from api.reports.graft import GraftReport
from api.reports.hours import HoursReport, Units
from api.reports.laying import LayingReport
from api.reports.record import RecordReport
from api.reports.window import BatchOutlook, IssuedOutlooks, NucOutlook, WindowReport

__all__ = [
    "BatchOutlook",
    "GraftReport",
    "HoursReport",
    "IssuedOutlooks",
    "LayingReport",
    "NucOutlook",
    "RecordReport",
    "Source",
    "Units",
    "WindowReport",
]
