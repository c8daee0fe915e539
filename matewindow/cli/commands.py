"""The commands: each parses its options, calls the library once and prints a table or JSON."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from matewindow.errors import RequestError

SiteFile = Annotated[Path, typer.Option("--site", metavar="FILE", help="Site file (TOML).")]
WeatherFolder = Annotated[
    Path,
    typer.Option(
        "--weather",
        metavar="FOLDER",
        help="Folder with any of forecast.json, ensemble.json, past.json, past.csv, past.epw, past.tmy3.csv; "
        "or the word live: then it is pulled from open weather services.",
    ),
]
Now = Annotated[
    str | None, typer.Option("--now", metavar="TIME", help="Take this as the present, such as 2026-06-01T08:00.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]
Picture = Annotated[
    Path | None, typer.Option("--picture", metavar="STEM", help="Also write the chart to STEM.svg and STEM.png.")
]


class Nuc(StrEnum):
    """What kind of nuc is stocked; what a failed one costs stands in the parameters."""

    MINI = "mini"
    FEW_FRAMES = "few-frames"
    FIVE_FRAMES = "five-frames"


def graft(
    site: SiteFile,
    weather: WeatherFolder,
    first: Annotated[str, typer.Option("--from", metavar="DATE", help="First day on which you could graft.")],
    days: Annotated[int, typer.Option("--days", help="How many days from there.")] = 7,
    grafts: Annotated[int, typer.Option("--grafts", help="Larvae grafted.")] = 20,
    by: Annotated[
        str | None, typer.Option("--by", metavar="DATE", help="Day by which the queens should be in lay.")
    ] = None,
    builder_free_from: Annotated[
        str | None, typer.Option("--builder-free-from", metavar="DATE", help="First day the cell builder is fit again.")
    ] = None,
    nucs_free_from: Annotated[
        str | None, typer.Option("--nucs-free-from", metavar="DATE", help="First day nucs are free for ripe cells.")
    ] = None,
    day_off: Annotated[
        list[str] | None,
        typer.Option("--day-off", metavar="DAY", help="A weekday or date you do not work; may be repeated."),
    ] = None,
    nuc: Annotated[Nuc, typer.Option("--nuc", help="Kind of nuc that the cells go into.")] = Nuc.MINI,
    now: Now = None,
    picture: Picture = None,
    as_json: AsJson = False,
) -> None:
    """Say on which days to graft, with the odds for each."""
    from matewindow.cli import options, tables
    from matewindow.graft import for_nuc, graft_decision
    from matewindow.reporting import graft_report

    place, sources, using = options.load_in_use(site, weather, now)
    biology, start = for_nuc(using.biology, nuc.value), options.a_date(first, "--from")
    decision = graft_decision(
        place,
        sources,
        start,
        days,
        options.the_clock(now, place),
        biology,
        n_grafts=grafts,
        by=None if by is None else options.a_date(by, "--by"),
        limits=options.limits_of(builder_free_from, nucs_free_from, day_off or []),
        recalibration=using.for_days(start, days),
    )
    written = _draw("graft", decision, picture)
    report = graft_report(decision, sources, biology, using.version)
    options.show(report | {"picture": written}, tables.graft_tables(report), as_json=as_json, written=written)


def window(
    site: SiteFile,
    weather: WeatherFolder,
    grafted: Annotated[str, typer.Option("--graft", metavar="DATE", help="Day (or time) of the graft.")],
    emerged: Annotated[
        str | None, typer.Option("--emerged", metavar="DATE", help="Day on which the virgins were found emerged.")
    ] = None,
    check: Annotated[
        list[str] | None,
        typer.Option(
            "--check", metavar="DATE:SEEN", help="What a look showed: eggs, virgin or nothing; may be repeated."
        ),
    ] = None,
    moved: Annotated[
        str | None, typer.Option("--moved", metavar="TIME", help="When the cells went into the nucs.")
    ] = None,
    larva_age: Annotated[
        float | None, typer.Option("--larva-age", metavar="HOURS", help="Age of the grafted larvae since hatching.")
    ] = None,
    sealed_temp: Annotated[
        float | None, typer.Option("--sealed-temp", metavar="CELSIUS", help="Temperature of the sealed cells.")
    ] = None,
    now: Now = None,
    picture: Picture = None,
    as_json: AsJson = False,
) -> None:
    """Show a batch's mating window: flight hours day by day, the odds, and what to do when."""
    from matewindow.cli import options, tables
    from matewindow.outlook import batch_outlook
    from matewindow.reporting import window_report
    from matewindow.timeline import Batch, checks_from_text

    place, sources, using = options.load_in_use(site, weather, now)
    batch = Batch(
        grafted=options.a_time(grafted, "--graft", place),
        larva_age_h=larva_age,
        sealed_temp_c=sealed_temp,
        moved=None if moved is None else options.a_time(moved, "--moved", place),
        emerged=None if emerged is None else options.a_date(emerged, "--emerged"),
        checks=checks_from_text(check or []),
    )
    outlook = using.put_right(batch_outlook(batch, place, sources, options.the_clock(now, place), using.biology))
    written = _draw("window", outlook, picture, place)
    report = window_report(outlook, place, sources, using.biology, using.made(batch))
    options.show(report | {"picture": written}, tables.window_tables(report), as_json=as_json, written=written)


def hours(
    site: SiteFile,
    weather: WeatherFolder,
    first: Annotated[str | None, typer.Option("--from", metavar="DATE", help="First day; today if not given.")] = None,
    days: Annotated[
        int | None, typer.Option("--days", help="How many days; as far as the forecast goes if not given.")
    ] = None,
    now: Now = None,
    as_json: AsJson = False,
) -> None:
    """Show hour by hour how fit the weather is for mating flights, and what spoiled it."""
    from matewindow.cli import options, tables
    from matewindow.hours import hourly_outlook
    from matewindow.reporting import hours_report

    place, sources, biology = options.load(site, weather, now)
    clock = options.the_clock(now, place)
    start = None if first is None else options.a_date(first, "--from")
    report = hours_report(hourly_outlook(place, sources, start, days, clock, biology), place, clock, sources, biology)
    options.show(report, tables.hours_tables(report), as_json=as_json)


def demo(
    out: Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Where the pictures go.")] = Path(
        "matewindow-demo"
    ),
    as_json: AsJson = False,
) -> None:
    """Run the whole main job on invented weather that ships with the program: no network, no set-up."""
    from matewindow.artefacts import data_folder
    from matewindow.cli import options, tables
    from matewindow.demo import run_demo
    from matewindow.reporting import graft_report, window_report

    folder = data_folder("sample_weather", options.settings_of_process().sample_weather_folder)
    place, sources, using = options.load_in_use(folder / "site.toml", folder, literature=True)
    biology = using.biology
    decision, outlook = run_demo(place, sources, biology)
    written = _draw("graft", decision, out / "graft") + _draw("window", outlook, out / "window", place)
    report: dict[str, Any] = {
        "invented": "Site and weather of this demo are invented.",
        "graft": graft_report(decision, sources, biology),
        "window": window_report(outlook, place, sources, biology),
        "pictures": written,
    }
    options.show(report, tables.demo_tables(report), as_json=as_json, written=written)


def _draw(kind: str, result: Any, stem: Path | None, site: Any = None) -> list[str]:  # noqa: ANN401  either result
    if stem is None:
        return []
    from matewindow import charts

    try:
        no_file = not stem.name or stem.is_dir()
        if not no_file:
            stem.parent.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise RequestError(
            f"no folder can be made at {stem.parent} ({fault.strerror})", where="picture", fix="Choose another place."
        ) from fault
    if no_file:
        raise RequestError(f"{str(stem)!r} names no file", where="--picture", fix="Give a name such as pictures/june.")
    chart = charts.graft_chart(result) if kind == "graft" else charts.window_chart(result, site=site)
    return [str(path) for path in charts.write_chart(chart, stem)]
