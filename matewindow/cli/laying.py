"""``matewindow laying``: when to look for eggs, and whether to wait for them or to replace the queen."""

from __future__ import annotations

from typing import Annotated

import typer

from matewindow.cli.commands import AsJson, Now, Nuc, SiteFile, WeatherFolder


def laying(
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
    nuc: Annotated[Nuc, typer.Option("--nuc", help="Kind of nuc that the cells went into.")] = Nuc.MINI,
    without_brood_since: Annotated[
        str | None,
        typer.Option(
            "--nuc-without-brood-since",
            metavar="DATE",
            help="Day from which the nuc has had no brood; the day the cells went in if not given.",
        ),
    ] = None,
    queen_cost: Annotated[
        float | None,
        typer.Option(
            "--mated-queen-cost",
            metavar="QUEENS",
            help="What a mated queen given to the nuc costs you, in laying queens: 0 if you have one to spare.",
        ),
    ] = None,
    now: Now = None,
    as_json: AsJson = False,  # noqa: FBT002  an option of a command is named on the command line
) -> None:
    """Say when to look for eggs, what that would tell, and from which day another queen is better than waiting."""
    from matewindow.cli import laying_tables, options
    from matewindow.graft import for_nuc
    from matewindow.laying import laying_outlook
    from matewindow.layingreport import laying_report
    from matewindow.timeline import Batch, checks_from_text

    place, sources, using = options.load_in_use(site, weather, now)
    biology = for_nuc(using.biology, nuc.value)
    if queen_cost is not None:
        biology = biology.with_values({"decision.mated_queen_cost": queen_cost}, where="--mated-queen-cost")
    batch = Batch(
        grafted=options.a_time(grafted, "--graft", place),
        larva_age_h=larva_age,
        sealed_temp_c=sealed_temp,
        moved=None if moved is None else options.a_time(moved, "--moved", place),
        emerged=None if emerged is None else options.a_date(emerged, "--emerged"),
        checks=checks_from_text(check or []),
    )
    since = None if without_brood_since is None else options.a_date(without_brood_since, "--nuc-without-brood-since")
    outlook = laying_outlook(
        batch, place, sources, options.the_clock(now, place), biology, nuc_without_brood_since=since
    )
    report = laying_report(using.put_laying_right(outlook), sources, biology, using.made(batch))
    options.show(report, laying_tables.laying_tables(report), as_json=as_json)
