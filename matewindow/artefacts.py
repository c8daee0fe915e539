"""Where the data that ship with the program are: ``models/`` and ``sample_weather/``.

A wheel carries them inside the package, a checkout beside it; a setting may name another folder.
"""

from __future__ import annotations

from pathlib import Path

from matewindow.errors import InputError

_PACKAGE = Path(__file__).resolve().parent


def data_folder(name: str, setting: Path | None = None) -> Path:
    """The folder ``models`` or ``sample_weather``: the setting's, else the wheel's, else the checkout's.

    Raises:
        InputError: none of them exists; the text names the setting.
    """
    candidates = [setting] if setting else [_PACKAGE / f"_{name}", _PACKAGE.parent / name]
    for folder in candidates:
        if folder.is_dir():
            return folder
    looked = " and ".join(str(folder) for folder in candidates)
    raise InputError(
        f"there is no folder {looked}",
        fix=f"Install matewindow again, or set MATEWINDOW_{name.upper()}_FOLDER to the folder {name}.",
    )
