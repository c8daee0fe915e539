"""The types of events that are told, and what a webhook can ask for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, get_args

from matewindow.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence

TEST = "webhook.test"
"""Sent when its owner asks for it, whatever types the webhook wants; never sent again."""

KINDS: dict[str, str] = {
    f"{thing}.{action}": f"{words} was {done}; data is the record as GET gives it after that"
    for thing, words in (
        ("site", "A site"),
        ("builder", "A cell builder"),
        ("batch", "A batch"),
        ("nuc", "A nuc"),
        ("check", "A check"),
    )
    for action, done in (
        ("added", "added"),
        ("changed", "changed"),
        ("deleted", "deleted"),
        ("brought_back", "brought back after it had been deleted"),
        ("undone", "put back to what it was before its last change"),
    )
} | {
    "warning.raised": "A batch's mating window has turned bad; data holds the message and its figures",
    "warning.worse": "A window that was warned of has got worse",
    "warning.cleared": "A window that was warned of is good again",
    TEST: "The owner of a webhook tries it; data names the webhook",
}
"""Every type of event, and when it is sent."""

Wanted = Literal[
    "*",
    "site.*",
    "site.added",
    "site.changed",
    "site.deleted",
    "site.brought_back",
    "site.undone",
    "builder.*",
    "builder.added",
    "builder.changed",
    "builder.deleted",
    "builder.brought_back",
    "builder.undone",
    "batch.*",
    "batch.added",
    "batch.changed",
    "batch.deleted",
    "batch.brought_back",
    "batch.undone",
    "nuc.*",
    "nuc.added",
    "nuc.changed",
    "nuc.deleted",
    "nuc.brought_back",
    "nuc.undone",
    "check.*",
    "check.added",
    "check.changed",
    "check.deleted",
    "check.brought_back",
    "check.undone",
    "warning.*",
    "warning.raised",
    "warning.worse",
    "warning.cleared",
]
"""What a webhook can ask for: single types, all of one thing, or everything."""
WANTED: tuple[str, ...] = get_args(Wanted)


def in_order(types: Sequence[str]) -> list[str]:
    """What is asked for, without repetitions and in the order of ``WANTED``.

    Raises:
        RequestError: a type that there is not, or none at all.
    """
    unknown = sorted(set(types) - set(WANTED))
    if unknown or not types:
        what = f"{unknown[0][:64]!r} is no type of event" if unknown else "no type of event is asked for"
        raise RequestError(what, where="types", fix=f"Give some of {', '.join(WANTED)}.")
    return [known for known in WANTED if known in types]
