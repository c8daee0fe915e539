"""The HTTP service: it parses requests, calls ``matewindow`` and answers; it holds no arithmetic."""
