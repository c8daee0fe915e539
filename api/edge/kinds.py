"""The kinds of problem that the service can answer with, each with the text of the page behind its ``type``.

A kind is part of the interface: its slug is never renamed and never gets another meaning. Programs that call the
service tell problems apart by ``type``, people read the page.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape


@dataclass(frozen=True)
class Kind:
    """One kind of problem.

    Args:
        slug: last part of its ``type``; lower-case words with hyphens.
        status: HTTP status that it is answered with, unless the occurrence says otherwise.
        title: short, the same at every occurrence.
        meaning: when it is answered, as full sentences.
        remedy: what the caller can do, as full sentences.
    """

    slug: str
    status: int
    title: str
    meaning: str
    remedy: str


_ALL = (
    Kind(
        "malformed-request",
        400,
        "The request is malformed",
        "A part of the request outside its body (request line, Host or another header field) cannot be read.",
        "Mend the part that the detail names and send the request again.",
    ),
    Kind(
        "malformed-json",
        400,
        "The body is not JSON",
        "The body is not JSON as RFC 8259 defines it: a syntax error, NaN or Infinity, bytes that are not UTF-8, or "
        "lists and objects nested too deep.",
        "Write the body with a JSON library, in UTF-8; leave out values that are not known.",
    ),
    Kind(
        "idempotency-key-missing",
        400,
        "An Idempotency-Key is needed",
        "This request creates something, and without a key a repeated request could not be told from a second one.",
        "Send an Idempotency-Key header with a value that is new for each thing to create and the same when the "
        "request is repeated.",
    ),
    Kind(
        "unauthenticated",
        401,
        "A valid token is needed",
        "The request carries no token, or one that is unknown, expired or revoked.",
        "Send a valid token as 'Authorization: Bearer TOKEN'.",
    ),
    Kind(
        "forbidden",
        403,
        "The token does not allow this",
        "The token is valid, but its scope does not cover this request.",
        "Use a token with a wider scope, or ask the owner of the service for one.",
    ),
    Kind(
        "cross-site-refused",
        403,
        "Requests from other web sites are refused",
        "A browser sent the request on behalf of a page of another site, which could act in the name of whoever uses "
        "that browser.",
        "Send it from the service's own pages or from a program that is not a browser; the owner of the service can "
        "name further origins in the settings.",
    ),
    Kind(
        "not-found",
        404,
        "There is nothing here",
        "Nothing is served under this path, or the thing was deleted, or it is not visible to this token.",
        "Check the path and the id against the description of the interface.",
    ),
    Kind(
        "method-not-allowed",
        405,
        "The method is not allowed here",
        "The path exists but does not take this method.",
        "Use one of the methods in the Allow header.",
    ),
    Kind(
        "not-acceptable",
        406,
        "No acceptable form of the answer",
        "The Accept-Encoding or Accept header rules out every form in which the answer exists.",
        "Accept the identity coding, or leave the header out.",
    ),
    Kind(
        "request-timeout",
        408,
        "The request took too long to arrive",
        "The head or the body of the request was not complete when its time was up.",
        "Send the request again over a better connection, or in smaller parts.",
    ),
    Kind(
        "conflict",
        409,
        "The change contradicts what is stored",
        "Something else stands on what would be changed, or has been changed meanwhile.",
        "Read the present state and decide anew.",
    ),
    Kind(
        "request-in-progress",
        409,
        "The same request is still being worked on",
        "A request with this Idempotency-Key has arrived before and is not finished.",
        "Wait a few seconds and repeat the request with the same key to get its answer.",
    ),
    Kind("gone", 410, "This existed and is gone", "The thing was deleted for good.", "Drop the reference to it."),
    Kind(
        "precondition-failed",
        412,
        "It has changed since you read it",
        "The If-Match or If-None-Match header does not fit the present state, so nothing was changed.",
        "Read it again, apply your change to that version and send the new ETag.",
    ),
    Kind(
        "content-too-large",
        413,
        "The body is too large",
        "The body of the request is larger than this path takes.",
        "Send less at once; the limit stands in the detail.",
    ),
    Kind(
        "uri-too-long",
        414,
        "The address is too long",
        "The path and query of the request are longer than the service reads.",
        "Shorten the query.",
    ),
    Kind(
        "unsupported-media-type",
        415,
        "The type of the body is not supported",
        "The Content-Type or Content-Encoding of the body is not one that this path takes.",
        "Send the body uncompressed with one of the types in the Accept header of the answer.",
    ),
    Kind(
        "misdirected-request",
        421,
        "The request was sent to a name that is not ours",
        "The Host header names a host that this service does not go by. This keeps foreign web sites from reaching "
        "it through a browser on the same network.",
        "Use an address under which the service is set up; its owner can name further hosts in the settings.",
    ),
    Kind(
        "invalid-request",
        422,
        "Values in the request are not valid",
        "The request can be read, but values in its path, query, headers or body are missing, unknown or out of range.",
        "Mend each value that is listed in 'errors'.",
    ),
    Kind(
        "record-refused",
        422,
        "The record cannot be true",
        "Each value could stand by itself, but together they contradict each other, what is on record beside them, or "
        "the life of a batch; or they name a record that is not there. Nothing was changed.",
        "Mend what is listed in 'errors'; each entry names the field and what to do instead.",
    ),
    Kind(
        "unusable-json",
        422,
        "The JSON holds something that cannot be kept",
        "The body is JSON, but a name occurs twice in one object, a text holds a NUL or half of a surrogate pair, or "
        "a number is too large to be kept exactly.",
        "Mend the place that the detail names.",
    ),
    Kind(
        "idempotency-key-reused",
        422,
        "The Idempotency-Key was used for another request",
        "A request with this key but other content has been answered before.",
        "Use a new key for a new request.",
    ),
    Kind(
        "cannot-be-answered",
        422,
        "The question cannot be answered",
        "The request is well formed, but makes no sense for this site, batch or weather.",
        "Follow the 'fix' of the answer.",
    ),
    Kind(
        "precondition-required",
        428,
        "An If-Match header is needed",
        "Changes are only made to a version that the caller has seen, so that nobody overwrites the work of others.",
        "Read the thing first and send its ETag as If-Match.",
    ),
    Kind(
        "too-many-requests",
        429,
        "Too many requests",
        "More requests, or more failed attempts to authenticate, have come from this token or address than are taken.",
        "Wait as many seconds as the Retry-After header says.",
    ),
    Kind(
        "header-too-large",
        431,
        "The header fields are too large",
        "The header fields of the request are larger, or more in number, than the service reads.",
        "Send fewer or shorter header fields; often it is cookies that belong to other programs on the same host.",
    ),
    Kind(
        "internal-error",
        500,
        "A fault of the service",
        "Something went wrong that is no fault of the request. The log of the service has it under 'request_id'.",
        "Try again later; if it stays, tell the owner of the service the 'request_id'.",
    ),
    Kind(
        "weather-unavailable",
        503,
        "No weather can be had at present",
        "The weather service could not be asked or gave nothing that can be used.",
        "Ask again after the time in Retry-After, or later.",
    ),
    Kind(
        "busy",
        503,
        "The service is busy",
        "Another piece of work holds what this request needs, or too many connections are open.",
        "Repeat the request after the seconds in Retry-After.",
    ),
    Kind(
        "storage-unavailable",
        503,
        "Stored data cannot be reached",
        "The database or the store of weather cannot be read or written at present. Nothing was changed.",
        "Try again later; the owner of the service finds the cause in its log.",
    ),
    Kind(
        "storage-full",
        507,
        "The disk of the service is full",
        "There is no room to write. Nothing was changed.",
        "The owner of the service must make room; then repeat the request.",
    ),
)

KINDS: dict[str, Kind] = {kind.slug: kind for kind in _ALL}
"""Every kind by its slug."""

BY_STATUS: dict[int, str] = {
    400: "malformed-request",
    401: "unauthenticated",
    403: "forbidden",
    404: "not-found",
    405: "method-not-allowed",
    406: "not-acceptable",
    408: "request-timeout",
    409: "conflict",
    410: "gone",
    412: "precondition-failed",
    413: "content-too-large",
    414: "uri-too-long",
    415: "unsupported-media-type",
    421: "misdirected-request",
    422: "invalid-request",
    428: "precondition-required",
    429: "too-many-requests",
    431: "header-too-large",
    500: "internal-error",
    503: "busy",
    507: "storage-full",
}
"""The kind that stands for a status where only the status is known."""


def page_text(kind: Kind) -> str:
    """The page behind a kind's ``type``, as plain text."""
    return f"{kind.title} ({kind.status}, {kind.slug})\n\n{kind.meaning}\n\nWhat to do: {kind.remedy}\n"


def page_html(kind: Kind) -> str:
    """The page behind a kind's ``type``, as HTML without styles or scripts."""
    title, meaning, remedy = (escape(text) for text in (kind.title, kind.meaning, kind.remedy))
    return (
        f'<!doctype html>\n<html lang="en"><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width"><title>{title}</title>\n'
        f"<h1>{title}</h1>\n<p>Status {kind.status}, <code>{kind.slug}</code></p>\n"
        f"<p>{meaning}</p>\n<h2>What to do</h2>\n<p>{remedy}</p>\n</html>\n"
    )


def list_text() -> str:
    """All kinds, one a line."""
    return "".join(f"{kind.status} {kind.slug}: {kind.title}\n" for kind in KINDS.values())
