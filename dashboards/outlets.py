"""What goes out besides the page: history to databases, messages to people; loaded only when configured."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from dashboards.feed import Feed
from dashboards.settings import AlertPlan, WatchSettings
from dashboards.store import HistoryStore

if TYPE_CHECKING:
    from dashboards.export_queue import ExportQueue
    from dashboards.exporter import Exporter


def open_outlets(stack: contextlib.ExitStack, settings: WatchSettings, store: HistoryStore, feed: Feed) -> None:
    """Start what the settings ask for, before the feed is started; the stack ends it. Raises OperatingError."""
    if settings.influx:
        _open_exports(stack, settings, store, feed)
    if settings.alerts is not None and settings.alerts.targets:
        _open_alerts(stack, settings.alerts, store, feed)


def trial_alert(plan: AlertPlan | None) -> int:
    """Send everybody a trial message and print what happened. The exit status: 0 when all were sent."""
    if plan is None or not plan.targets:
        print("The settings name nobody to be told: there is no [[alerts.target]].")
        return 1
    from dashboards.alert_desk import trial_letters
    from dashboards.alert_send import Postman

    results = trial_letters(plan, Postman(plan.targets).send)
    for name, problem in results:
        print(f"{name}: {'sent' if problem is None else f'not sent: {problem}'}")
    return 0 if all(problem is None for _, problem in results) else 1


def _open_exports(stack: contextlib.ExitStack, settings: WatchSettings, store: HistoryStore, feed: Feed) -> None:
    from dashboards.export_queue import ExportQueue
    from dashboards.exporter import Exporter
    from dashboards.influx import InfluxWriter

    queue = ExportQueue(store.path, {target.name: target.most_waiting for target in settings.influx})
    stack.callback(queue.close)
    store.also_keep = queue.note
    exporters = []
    for target in settings.influx:
        writer = stack.enter_context(contextlib.closing(InfluxWriter(target)))
        exporter = Exporter(target.name, queue, writer.write)
        exporter.start()
        stack.callback(exporter.stop)
        exporters.append(exporter)
    feed.complaints.append(lambda: [said for exporter in exporters if (said := _not_written(exporter, queue))])


def _open_alerts(stack: contextlib.ExitStack, plan: AlertPlan, store: HistoryStore, feed: Feed) -> None:
    from dashboards.alert_desk import AlertDesk
    from dashboards.alert_post import AlertPost
    from dashboards.alert_send import Postman

    # Beside the history, which may be deleted at any time: nobody should be told everything anew for it.
    post = stack.enter_context(contextlib.closing(AlertPost(f"{store.path}.alerts")))
    desk = AlertDesk(plan, post, feed, f"{feed.settings.host}:{feed.settings.port}", Postman(plan.targets).send)
    desk.start()
    stack.callback(desk.stop)
    feed.complaints.append(lambda: [_not_told(*standing) for standing in post.standing() if standing[2]])


def _not_written(exporter: Exporter, queue: ExportQueue) -> str:
    if not exporter.problem:
        return ""
    return (
        f"The database {exporter.name} is not written: {exporter.problem} {queue.waiting(exporter.name)} records wait."
    )


def _not_told(target: str, count: int, problem: str) -> str:
    return f"Messages to {target} do not get through: {problem} {count} {'waits' if count == 1 else 'wait'}."
