"""Weather in: one module a source, one normal form (``normal``) that the kernels' callers see."""
