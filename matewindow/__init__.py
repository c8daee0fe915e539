"""Weather-aware mating-window forecaster for people who rear honey bee queens.

Import the modules you need (``matewindow.outlook``, ``matewindow.graft`` …); this file imports none of them,
so that the command line starts fast.
"""

__version__ = "0.1.0"
