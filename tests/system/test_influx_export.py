"""History written through the InfluxDB 2 interface to a real database, with either side killed on the way."""

from __future__ import annotations

import json
import shutil
import subprocess
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests import fake_site
from tests.watched_site import MOSQUITTO, Page, Publisher, broker, complete, eventually, free_port

DATABASE = shutil.which("victoria-metrics")
pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed"),
    pytest.mark.skipif(DATABASE is None, reason="victoria-metrics is not installed: scripts/setup dev installs it"),
]
END_S = 4_102_444_800
TOKEN = "a-token-nobody-may-see"


class Database:
    """A server on one port with one folder, which it finds again after a restart."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert DATABASE is not None
        words = [DATABASE, f"-storageDataPath={self._folder}", f"-httpListenAddr=127.0.0.1:{self.port}"]
        words += ["-retentionPeriod=100y", "-search.latencyOffset=0s"]
        self._process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        eventually(lambda: self.ask("/health") == "OK")

    def kill(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait()
            self._process = None

    def ask(self, path: str) -> str:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=5) as answer:
                return str(answer.read().decode())
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            return ""

    def times_ms(self, metric: str) -> list[int]:
        """When the points of a series were, as the database has them."""
        lines = self.ask(f"/api/v1/export?{urllib.parse.urlencode({'match[]': metric, 'end': END_S})}").splitlines()
        return sorted(at for line in lines for at in json.loads(line)["timestamps"])


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    server = Database(tmp_path / "database")
    yield server
    server.kill()


def settings_file(folder: Path, port: int) -> Path:
    token = folder / "token"
    token.write_text(f"{TOKEN}\n")
    token.chmod(0o600)
    path = folder / "watch.toml"
    lines = ["[[influx]]", 'name = "home"', f'url = "http://127.0.0.1:{port}"', 'org = "allotment"']
    path.write_text("\n".join([*lines, 'bucket = "garden"', 'token_file = "token"', ""]))
    return path


def test_every_reading_is_in_the_database_after_both_sides_were_killed(tmp_path: Path, database: Database) -> None:
    options = ("--open-on-loopback", "--settings", str(settings_file(tmp_path, database.port)))
    mqtt_port = free_port()
    with ExitStack() as stack:
        stack.enter_context(broker(mqtt_port))
        site = Publisher(mqtt_port, days=20)
        stack.callback(site.close)
        site.publish_tree()
        page = Page(tmp_path, mqtt_port, *options)
        stack.callback(page.close)
        database.start()
        eventually(lambda: bool(database.times_ms("measure_battery_V")), within_s=30)
        database.kill()
        page.process.kill()
        newest_s, _, fields = fake_site.last_reading(site.records)
        site.records += [(newest_s + 60 * n, "measure", fields) for n in range(1, 301)]
        site.publish_tree()
        page = Page(tmp_path, mqtt_port, *options)
        stack.callback(page.close)
        eventually(lambda: complete(page, site), within_s=30)
        database.start()
        wanted = sorted(at_s * 1000 for at_s, name, _ in site.records if name == "measure")
        eventually(lambda: database.times_ms("measure_battery_V") == wanted, within_s=30)
        deliveries = sum(name == "delivery/bench" for _, name, _ in site.records)
        match = f'delivery_volume_m3{{site="{fake_site.SITE}",key="bench"}}'
        eventually(lambda: len(database.times_ms(match)) == deliveries)
        page.process.terminate()
        complaints = page.process.communicate(timeout=10)[1].decode()
    assert TOKEN not in complaints
    assert "Traceback" not in complaints
    assert b"a-token-nobody" not in (tmp_path / "history.sqlite3").read_bytes()
