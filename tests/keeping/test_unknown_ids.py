"""What is asked for by an id that never was is not there, in words, whatever text it is and whichever database."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from matewindow.errors import NotThereError
from matewindow.keeping.jobs import Jobs
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.warned import one_warning
from matewindow.register.access import Access

if TYPE_CHECKING:
    from matewindow.register.register import Register
    from tests.keeping.invented import InventedDesk


@pytest.mark.parametrize("thing", ["tokn_0000000000000000", "", "x", "tokn_\x00", "feed_\x00", "\ud800", "' OR 1=1 --"])
def test_an_id_that_never_was_is_not_there_for_anything(either: Register, desk: InventedDesk, thing: str) -> None:
    access, jobs = Access(either.database, either.clock), Jobs(either.database, either.clock)
    kept = access.new_token("phone", "read")[0]
    for call in (
        lambda: access.get(thing),
        lambda: access.revoke(thing),
        lambda: access.new_feed("phone", "calendar", thing),
        lambda: jobs.ask("refresh", thing),
        lambda: jobs.get(thing),
        lambda: jobs.cancel(thing),
        lambda: one_warning(either.database, thing),
        lambda: Keeper(either, desk).one_issued(thing),
    ):
        with pytest.raises(NotThereError, match="there is no"):
            call()
    assert access.tokens() == [kept | {"scope": "read"}]
    assert access.feeds() == []
