"""What the settings ask for is started, fed by what is heard, and ended; nothing is loaded that they do not ask for."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from dashboards import alert_desk, alert_model, alert_rules
from dashboards.connection import BrokerSettings, Message
from dashboards.feed import Feed
from dashboards.outlets import open_outlets, trial_alert
from dashboards.settings import AlertPlan, TargetSettings, load_settings
from dashboards.store import HistoryStore
from tests import fake_site
from tests.watched_site import eventually, free_port

# The notification library still looks for a module of the standard library that is going away.
pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
NOW = datetime.now(UTC)
NOW_MS = int(NOW.timestamp() * 1000)


@pytest.fixture
def server() -> Iterator[tuple[int, list[tuple[str, bytes]]]]:
    """A web server that takes everything: its port, and (path, body) of what came."""
    taken: list[tuple[str, bytes]] = []

    class Taking(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            taken.append((self.path, self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing on the test's output."""

    web = ThreadingHTTPServer(("127.0.0.1", 0), Taking)
    thread = threading.Thread(target=web.serve_forever)
    thread.start()
    yield web.server_address[1], taken
    web.shutdown()
    thread.join()
    web.server_close()


def settings_file(folder: Path, port: int) -> Path:
    for name, secret in (("url", f"json://127.0.0.1:{port}/hook"), ("token", "a-token")):
        (folder / name).write_text(secret)
        (folder / name).chmod(0o600)
    influx = (
        f'[[influx]]\nname = "home"\nurl = "http://127.0.0.1:{port}"\norg = "o"\nbucket = "b"\ntoken_file = "token"\n'
    )
    alerts = '[alerts.warning]\nafter_min = 0\n[[alerts.target]]\nname = "phone"\nurl_file = "url"\n'
    (folder / "watch.toml").write_text(influx + alerts)
    return folder / "watch.toml"


def test_what_is_heard_goes_to_people_and_databases(
    tmp_path: Path, server: tuple[int, list[tuple[str, bytes]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alert_desk, "EVERY_S", 0.05)
    monkeypatch.setattr(alert_rules, "GATHER_MS", 100)
    port, taken = server
    with contextlib.ExitStack() as stack:
        store = stack.enter_context(contextlib.closing(HistoryStore(str(tmp_path / "history.sqlite3"))))
        feed = Feed(BrokerSettings("broker.invalid"), store)
        open_outlets(stack, load_settings(settings_file(tmp_path, port)), store, feed)
        hear(feed)
        eventually(lambda: {"/hook", "/api/v2/write"} <= {path.partition("?")[0] for path, _ in taken})
    titles = [json.loads(body)["title"] for path, body in taken if path == "/hook"]
    assert titles == ["Riverside allotment: the berry rows took 30 % longer than usual for their water"]
    assert (tmp_path / "history.sqlite3.alerts").exists()


def test_what_does_not_get_through_is_told_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alert_desk, "EVERY_S", 0.05)
    monkeypatch.setattr(alert_rules, "GATHER_MS", 100)
    with contextlib.ExitStack() as stack:
        store = stack.enter_context(contextlib.closing(HistoryStore(str(tmp_path / "history.sqlite3"))))
        feed = Feed(BrokerSettings("broker.invalid"), store)
        open_outlets(stack, load_settings(settings_file(tmp_path, free_port())), store, feed)
        assert feed.troubles() == []
        count = hear(feed)
        eventually(lambda: len(feed.troubles()) == 2)
        database, people = feed.troubles()
    assert database.startswith("The database home is not written: NewConnectionError")
    assert database.endswith(f"{count} records wait.")
    assert people.startswith("Messages to phone do not get through: A Connection error")
    assert people.endswith("1 waits.")


def hear(feed: Feed) -> int:
    """The feed hears of the invented site; how many records that brought."""
    feed.take(Message("", b"", False, NOW_MS, "connected"))
    records = fake_site.history(NOW, days=2)
    for topic, value in fake_site.tree(NOW, 1943.0, len(records)).items():
        feed.take(Message(f"homie/5/{topic}", value.encode(), True, NOW_MS))
    for pack in fake_site.packs(records):
        feed.take(Message(f"homie-log/{fake_site.SITE}/senml", pack, False, NOW_MS))
    return len(records)


def test_a_trial_alert_says_what_happened(
    server: tuple[int, list[tuple[str, bytes]]], capsys: pytest.CaptureFixture[str]
) -> None:
    good = TargetSettings("phone", f"json://127.0.0.1:{server[0]}/hook", "info", True, None)
    dead = TargetSettings("old-phone", f"json://127.0.0.1:{free_port()}/hook", "info", True, None)
    assert trial_alert(AlertPlan(alert_model.AlertSettings(), (good,), 0, 0)) == 0
    assert capsys.readouterr().out == "phone: sent\n"
    assert trial_alert(AlertPlan(alert_model.AlertSettings(), (good, dead), 0, 0)) == 1
    assert "old-phone: not sent: A Connection error" in capsys.readouterr().out


def test_a_trial_without_anybody_to_tell_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert trial_alert(None) == 1
    assert "nobody to be told" in capsys.readouterr().out


def test_without_settings_none_of_the_libraries_is_loaded() -> None:
    program = (
        "import sys, dashboards.outlets, dashboards.feed, dashboards.app, dashboards.watch; "
        "print(sorted({'apprise', 'influxdb_client', 'numpy', 'requests'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
