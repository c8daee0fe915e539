"""What the odds learn from a producer's own records, and how they earn it.

Records of what became of single queens -> what may be fitted at all (``acceptance``, ``samplesize``) -> fits that lean
on the literature (``rates``, ``recalibration``, ``flightrate``; beside the odds ``covariates``, ``beyond``, ``curve``)
-> a test on records that a fit was not made from -> a model on the shelf (``artefacts``), to be put to use by a person.
The literature's parameters stay the default.
"""
