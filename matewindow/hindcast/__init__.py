"""The odds held against weather that came: every season of a site's record lived through again, without itself.

A season is left out of the past years. On each of its days the graft decision is made and outlooks are given for the
batches under way, as if it were that day: with what had been measured by then, the forecast of that day where it was
kept, and the other years. The weather that came, run through the same chain, says what became of the queens.

``seasons`` which seasons and days -> ``asof`` what was known -> ``oneseason`` all issues of one season -> ``running``
all seasons -> ``cases`` what ``verification`` judges, ``following`` what the advice was worth -> ``report``.

Other years are those after the season too: the odds of a producer of that year had fewer years to stand on, those of
today have them all. What is judged is the way of working them out.
"""
