"""Pictures as files: SVG and PNG, whole or not at all."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from matewindow.errors import RequestError

if TYPE_CHECKING:
    from pathlib import Path

    import altair as alt

PNG_SCALE = 2.0


def write_chart(chart: alt.VConcatChart, path_stem: Path) -> tuple[Path, Path]:
    """Write a picture as ``<stem>.svg`` and ``<stem>.png`` (twice the pixels), without network and without a browser.

    The same chart gives the same bytes. Readers never see half a file: each is written beside its place and then
    moved there.

    Args:
        chart: from ``graft_chart`` or ``window_chart``.
        path_stem: folder and name without ending.

    Returns:
        The paths of the SVG and the PNG.

    Raises:
        RequestError: the folder is missing or cannot be written.
    """
    svg = render_svg(chart)
    targets = (_beside(path_stem, ".svg"), _beside(path_stem, ".png"))
    _write_all({targets[0]: svg.encode("utf-8"), targets[1]: render_png(svg)})
    return targets


def render_svg(chart: alt.VConcatChart) -> str:
    """A picture as SVG text. Nothing is fetched: no address is allowed."""
    import altair as alt  # slow to import
    import vl_convert  # slow to import

    version = ".".join(alt.SCHEMA_VERSION.removeprefix("v").split(".")[:2])
    svg: str = vl_convert.vegalite_to_svg(chart.to_dict(validate=False), vl_version=version, allowed_base_urls=[])
    return svg


def render_png(svg: str) -> bytes:
    """An SVG of ours as PNG, at twice the pixels."""
    import vl_convert  # slow to import

    png: bytes = vl_convert.svg_to_png(svg, scale=PNG_SCALE)
    return png


def _beside(path_stem: Path, ending: str) -> Path:
    return path_stem.with_name(path_stem.name + ending)  # with_suffix would eat a dot in the name


def _write_all(contents: dict[Path, bytes]) -> None:
    """Write all files beside their places first, then move them: a full disk leaves the old ones as they were."""
    drafts = {target: target.with_name(f".{target.name}.{os.getpid()}.part") for target in contents}
    try:
        for target, draft in drafts.items():
            draft.write_bytes(contents[target])
        for target, draft in drafts.items():
            draft.replace(target)
    except OSError as fault:
        folder = next(iter(contents)).parent
        raise RequestError(
            f"no picture can be written there ({fault.strerror or fault})",
            where=str(folder),
            fix="Name a folder that exists, that you may write to and that has room.",
        ) from fault
    finally:
        for draft in drafts.values():
            _discard(draft)


def _discard(draft: Path) -> None:
    try:
        draft.unlink(missing_ok=True)
    except OSError:
        return  # the folder is gone or not ours; the first fault is what counts
