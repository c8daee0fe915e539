"""Registers on SQLite and PostgreSQL, as the register's own tests have them."""

from __future__ import annotations

from tests.register.conftest import (  # noqa: F401  fixtures
    clock,
    home,
    made_file,
    new_url,
    nursery,
    opened,
    postgres,
    quick_disk_folder,
    register,
    tell,
    url,
)
