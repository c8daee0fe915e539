"""The sites as GeoJSON, for maps.

Source: RFC 7946. A position is longitude and latitude on WGS 84; its third number would be the height above the
ellipsoid, which is not known, so the elevation above sea level stands among the properties.
"""

# No `from __future__ import annotations` here: FastAPI reads the annotations of the routes at run time.

from typing import Annotated, Any, Literal

from annotated_types import Interval
from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from api.answers import ETAG, NEXT_AFTER, NOT_MODIFIED, problems, to_bytes
from api.auth import Reader
from api.edge.conditional import Prepared
from api.queries import InDigits
from api.service import service_of
from matewindow.register.ids import PATTERN
from matewindow.register.records import Id, as_data

router = APIRouter(prefix="/v1", tags=["sites"])
MEDIA_TYPE = "application/geo+json"
_ELSEWHERE = ("id", "latitude", "longitude", "deleted_at")
"""Fields of a site that stand in other places of its feature, or are always null there."""


class GeoJson(JSONResponse):
    """An answer in GeoJSON."""

    media_type = MEDIA_TYPE


class Point(BaseModel):
    """Where a site is."""

    model_config = ConfigDict(extra="forbid")

    type: Literal["Point"] = Field(description="Kind of geometry.")
    coordinates: Annotated[list[float], Field(min_length=2, max_length=2)] = Field(
        description="Longitude (degrees east), then latitude (degrees north), WGS 84.", examples=[[-1.2, 51.5]]
    )


class SiteFeature(BaseModel):
    """A site on the map."""

    model_config = ConfigDict(extra="forbid")

    type: Literal["Feature"] = Field(description="Kind of GeoJSON object.")
    id: str = Field(pattern=PATTERN, description="Id of the site.", examples=["site_0123456789abcdef"])
    geometry: Point
    properties: dict[str, Any] = Field(
        description="The other fields of the site, as in its record; elevation_m is metres above sea level.",
        examples=[{"name": "Lower orchard", "elevation_m": 120.0, "timezone": "Europe/London"}],
    )


class SiteFeatures(BaseModel):
    """Sites as a FeatureCollection."""

    model_config = ConfigDict(extra="forbid")

    type: Literal["FeatureCollection"] = Field(description="Kind of GeoJSON object.")
    features: list[SiteFeature] = Field(description="The sites.")
    next_after: str | None = Field(description=NEXT_AFTER, examples=["site_0123456789abcdef"])


@router.get(
    "/sites.geojson",
    summary="The sites as GeoJSON, for maps",
    response_model=SiteFeatures,
    response_class=GeoJson,
    responses={200: {"headers": ETAG}} | NOT_MODIFIED | problems(),
)
def list_sites_as_geojson(
    request: Request,
    who: Reader,  # noqa: ARG001
    after: Annotated[
        Id | None, Query(description="Id of the last site of the page before.", examples=["site_0123456789abcdef"])
    ] = None,
    limit: Annotated[
        int, Interval(ge=1, le=1000), InDigits, Query(description="Number of sites, at most.", examples=[1000])
    ] = 1000,
) -> Response:
    """A FeatureCollection by RFC 7946, a point for each site that is not deleted, in the order in which they came."""
    found = service_of(request).register.page("site", after=after, limit=limit)
    features = [_feature(as_data(row)) for row in found.rows]
    body = {"type": "FeatureCollection", "features": features, "next_after": found.next_after}
    return Prepared(to_bytes(body), MEDIA_TYPE).response(request.scope)


def _feature(row: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "Feature",
        "id": row["id"],
        "geometry": {"type": "Point", "coordinates": [row["longitude"], row["latitude"]]},
        "properties": {name: value for name, value in row.items() if name not in _ELSEWHERE},
    }
