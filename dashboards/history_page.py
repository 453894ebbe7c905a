"""The history: level, rain, doses, battery and temperature over a day, a week, a month, a season or a year."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from dashboards import charts, words
from dashboards.figures import figure, in_numbers, legend, period_links
from dashboards.frame import Desk, hidden
from dashboards.history import local_date
from dashboards.periods import Period
from dashboards.store import HistoryStore
from dashboards.svg import Bars, hatches, number
from dashboards.view import SiteView

VOIDABLE_DAYS = 3


def history(store: HistoryStore, view: SiteView, period: Period) -> str:
    """Every picture of a stretch of time, with the ways to others."""
    frame = period.frame(view.now_ms)
    deliveries = store.records(view.id, ("delivery",), period.start_ms, period.end_ms, charts.MOST_DELIVERIES)
    seen = charts.seen_instants(store, view, period)
    pictures = [
        figure(
            "Water stored" + (f": {tank.id}" if len(view.tanks) > 1 else ""),
            charts.tank_chart(store, view, tank, frame),
            legend((("water", "volume, shaded by how uncertain it is"),)),
        )
        for tank in view.tanks
    ]
    doses, rain = charts.dose_bars(view, deliveries, seen, period), charts.rain_bars(store, view, period)
    pictures.append(figure("Water given", charts.dose_chart(view, doses, period), zone_legend(view)))
    pictures.append(figure("Rain", charts.rain_chart(view, rain, period)))
    pictures.append(
        figure(
            "Battery",
            charts.battery_chart(store, view, frame),
            legend((("power", "mean; shaded from lowest to highest"),)),
        )
    )
    pictures.append(
        figure(
            "Air temperature",
            charts.temperature_chart(store, view, frame),
            legend((("air", "mean; shaded from lowest to highest"),)),
        )
    )
    return (
        f'{hatches()}<section class="history"><h2>History</h2>{period_links(view, "/history", period)}'
        f'<div class="figures">{"".join(pictures)}</div>{_numbers(view, period, rain, doses)}</section>'
    )


def _numbers(view: SiteView, period: Period, rain: Bars, doses: Sequence[Bars]) -> str:
    volume, depth = words.volume_unit(view.units), words.depth_unit(view.units)
    heads = ["When", f"Rain, {depth}", *(f"{bar.label}, {volume}" for bar in doses)]
    labels = [found.label for found in period.bins()]
    return in_numbers("Rain and water given, in numbers", heads, labels, [rain.values, *(d.values for d in doses)])


def void_rain_form(store: HistoryStore, view: SiteView, desk: Desk) -> str:
    """For what the gauge counted and was no rain. The controller takes it for today and the two days before."""
    today = local_date(view.now_ms, view.time_zone)
    rain = charts.rain_bars(store, view, Period("week", today, view.time_zone)).values
    options = "".join(
        f'<option value="{day.isoformat()}">{day:%A} {day.day} {day:%B}: {_counted(depth, view)}</option>'
        for day, depth in ((today - timedelta(days=back), rain[-1 - back]) for back in range(VOIDABLE_DAYS))
    )
    return (
        '<details class="void-rain" id="void-rain"><summary>Was it no rain that the gauge counted?</summary>'
        f'<form method="post" action="/orders">{hidden(view, desk, order="void-rain")}'
        f'<p class="field"><label for="void-date">Day</label> <select id="void-date" name="date">{options}</select></p>'
        '<p class="field"><label for="void-reason">What it was</label> '
        '<input id="void-reason" name="reason" maxlength="200" required autocomplete="off" '
        'aria-describedby="void-note"></p>'
        '<p class="note" id="void-note">The zones lose what their roots still have of that day’s rain. What was or was '
        "not watered meanwhile stays as it was. This cannot be undone.</p>"
        "<button>Take that day’s rain back</button></form></details>"
    )


def _counted(depth: float | None, view: SiteView) -> str:
    """A day's rain in the owner's unit, in words."""
    if depth is None:
        return "nothing known of it"
    return f"{number(depth, 0.1 if view.units == 'metric' else 0.01)} {words.depth_unit(view.units)}"


def glimpse(store: HistoryStore, view: SiteView, period: Period) -> str:
    """The last days in two pictures, below what matters now."""
    deliveries = store.records(view.id, ("delivery",), period.start_ms, period.end_ms)
    seen = charts.seen_instants(store, view, period)
    frame = period.frame(view.now_ms)
    pictures = [
        figure(
            f"Water stored{f': {tank.id}' if len(view.tanks) > 1 else ''}, last days",
            charts.tank_chart(store, view, tank, frame, tall=False),
        )
        for tank in view.tanks
    ]
    doses = charts.dose_bars(view, deliveries, seen, period)
    pictures.append(figure("Water given", charts.dose_chart(view, doses, period), zone_legend(view)))
    return f'{hatches()}<section class="history glimpse"><div class="figures">{"".join(pictures)}</div></section>'


def zone_legend(view: SiteView) -> str:
    return legend([(charts.zone_class(i), zone.name) for i, zone in enumerate(view.zones)])
