"""Whether the figures given for a place can be true together."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from controller.site.model import MonthlyNormals, Place
from controller.site.problems import Path, did_you_mean
from controller.site.schema import NormalsTable

Complaint = tuple[Path, str]


def place_complaints(place: Place, known_time_zones: Collection[str] | None) -> Iterator[Complaint]:
    """An unknown time zone, coordinates that were left at zero, months that cannot be."""
    if known_time_zones is not None and place.time_zone not in known_time_zones:
        near = did_you_mean(place.time_zone, known_time_zones)
        yield ("time_zone",), f'unknown time zone{near}; write an IANA name, for example "Europe/London"'
    if place.latitude_deg == 0.0 and place.longitude_deg == 0.0:
        yield ("latitude",), "latitude and longitude are both zero, a point in the ocean; look yours up on a map"
    if place.normals is not None:
        yield from _normals_complaints(place.normals)


def normals_gaps(months: Mapping[str, Mapping[str, Any]]) -> Iterator[Complaint]:
    """What some months say and others do not; `months` as written, their form already checked."""
    key = "evapotranspiration"
    if any(key in month for month in months.values()):
        for name, month in months.items():
            if key not in month:
                yield (name, key), "missing: other months have it, so every month must"


def _normals_complaints(normals: MonthlyNormals) -> Iterator[Complaint]:
    for i, month in enumerate(NormalsTable.model_fields):
        if normals.tmin_c[i] >= normals.tmax_c[i]:
            yield ("normals", month, "night_low"), "not colder than the day's high"
        if normals.rain_mm[i] > 0.0 and normals.wet_days[i] == 0.0:
            yield ("normals", month, "wet_days"), "rain falls in this month, so it has wet days"
        if normals.rain_mm[i] == 0.0 and normals.wet_days[i] > 0.0:
            yield ("normals", month, "rain"), "no rain falls in this month, yet it has wet days"
