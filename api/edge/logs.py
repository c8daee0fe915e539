"""The log of the service: JSON lines on standard error, with secrets masked and control characters encoded.

Lines of structlog and of the standard library (uvicorn's, say) take the same way.
"""

from __future__ import annotations

import json
import logging
import re
import sys
import time
from datetime import UTC, datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import structlog

if TYPE_CHECKING:
    from collections.abc import MutableMapping
    from typing import TextIO

    from structlog.typing import EventDict, Processor, WrappedLogger

MASK = "***"
_NESTED = (bytes, dict, list, tuple, set)

_SECRETS = re.compile(
    r"(?P<keep>/feeds/)(?!\{)[^/\s\"'?#]+"  # a feed's token is a part of its path; a template is no secret
    r"|\bmw_[A-Za-z0-9_-]{8,}"  # tokens of ours
    r"|\bwhsec_[A-Za-z0-9+/=_-]{8,}"  # secrets of webhooks
    r"|(?P<scheme>\b(?:bearer|basic|digest)\s+)[A-Za-z0-9._~+/=:-]{6,}"
    r"|(?P<name>\b(?:api_?key|apikey|token|secret|password|passwd|signature|authorization|cookie)"
    r"[\"']?\s*[=:]\s*[\"']?)(?:(?:bearer|basic|digest)\s+)?[^\s&\"',;)}]{3,}"
    r"|(?P<user>\b[a-z][a-z0-9+.-]*://)[^\s/@\"']+@",  # user and password in a URL
    re.IGNORECASE,
)
_HINTS = ("feeds/", "mw_", "whsec_", "=", ":", "@", "bearer", "basic", "digest")
_SECRET_NAMES = re.compile(
    r"(?:^|_)(?:authorization|cookie|token|secret|password|passwd|api_?key|apikey)$", re.IGNORECASE
)


def mask(text: str) -> str:
    """The text with every token, key and password in it replaced by ``***``."""
    if text.isalnum():
        return text
    lower = text.lower()
    for hint in _HINTS:
        if hint in lower:
            return _SECRETS.sub(_masked, text)
    return text


@lru_cache(maxsize=1024)
def _is_secret(name: str) -> bool:
    """Whether what goes by this name is a secret as a whole."""
    return _SECRET_NAMES.search(name) is not None


def _masked(match: re.Match[str]) -> str:
    if match["user"]:
        return f"{match['user']}{MASK}@"
    return f"{match['keep'] or match['scheme'] or match['name'] or ''}{MASK}"


def mask_secrets(logger: WrappedLogger, method: str, event: EventDict) -> EventDict:  # noqa: ARG001
    """Processor: mask secrets in every value, and the whole value of whatever is named like a secret."""
    for name, value in event.items():
        if isinstance(value, str):
            event[name] = MASK if _is_secret(name) else mask(value)
        elif isinstance(value, _NESTED):
            event[name] = MASK if _is_secret(name) else _deep(value)
    return event


def _deep(value: object, depth: int = 6) -> object:
    if isinstance(value, bytes):
        return mask(value.decode("utf-8", "backslashreplace"))
    if isinstance(value, str):
        return mask(value)
    if depth == 0:
        return MASK if isinstance(value, dict | list | tuple | set) else value
    if isinstance(value, dict):
        return {mask(str(n)): MASK if _is_secret(str(n)) else _deep(inner, depth - 1) for n, inner in value.items()}
    if isinstance(value, list | tuple | set):
        return [_deep(inner, depth - 1) for inner in value]
    return value


def stamp(logger: WrappedLogger, method: str, event: EventDict) -> EventDict:  # noqa: ARG001
    """Processor: the present as ``time``, in UTC to the millisecond."""
    seconds, ms = divmod(time.time_ns() // 1_000_000, 1000)
    event["time"] = f"{_to_the_second(seconds)}.{ms:03d}Z"
    return event


@lru_cache(maxsize=2)
def _to_the_second(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")


_ENCODE = json.JSONEncoder(default=lambda value: mask(str(value))).encode


def as_line(logger: WrappedLogger, method: str, event: MutableMapping[str, Any]) -> str:  # noqa: ARG001
    """Processor: one line of ASCII; every control character and everything beyond ASCII is escaped."""
    return _ENCODE(dict(event)).replace("\x7f", "\\u007f")


def configure(level: int = logging.INFO, stream: TextIO | None = None) -> None:
    """Send all that is logged in this process to one stream as JSON lines.

    Args:
        level: least level that is written.
        stream: standard error if left out.
    """
    shared: list[Processor] = [
        structlog.processors.format_exc_info,  # text without local variables, which may hold secrets
        mask_secrets,
        structlog.processors.add_log_level,
        stamp,
    ]
    out = stream if stream is not None else sys.stderr
    structlog.configure(
        processors=[*shared, as_line],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.WriteLoggerFactory(out),
        cache_logger_on_first_use=stream is None,
    )
    handler = logging.StreamHandler(out)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, as_line],
            foreign_pre_chain=[structlog.stdlib.add_logger_name, *shared],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    logging.getLogger("alembic").setLevel(
        max(level, logging.WARNING)
    )  # what it does is told by ``migrating`` in a line
