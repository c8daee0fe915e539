"""What stored runs of the forecast teach, held against the weather that came: pooled over sites and days of issue.

Stored runs and the record of a site -> cases, one for each day that a run spoke of (``reading``) -> fits: how much the
forecast counts at each lead (``weights``), how odds of a flying day have to be put right (``dayfinding``), what the
model gets wrong time and again (``biasfinding``) -> a test on weather that a fit was not made from (``windows``).
"""
