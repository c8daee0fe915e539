"""Window warnings: what changed in a batch's mating window, whether to say it, and in which words.

Pure: no tables, no clock, no network. ``reading`` sums up an issued outlook, ``judge`` decides from one reading to the
next, ``message`` puts the decision into words. The standard library has a module of this name as well; import this
one as ``matewindow.warnings``.
"""
