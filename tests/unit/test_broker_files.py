"""What Mosquitto is told: who may do what, and passwords written readable for their owner alone."""

from __future__ import annotations

import argparse
import base64
import hashlib
import re
import stat
from pathlib import Path

import pytest

from controller.commands import broker_config
from controller.errors import ConfigurationError, OperatingError
from controller.service.broker_files import (
    BrokerAccount,
    Listener,
    SiteTopics,
    access_text,
    accounts_for,
    config_text,
    password_line,
)
from controller.service.homie import DeviceTree
from simulator.example import example_site_text
from tests.unit.example_site import SITE

SITES = (SiteTopics("riverside"), SiteTopics("hillside", "garden"))
ROOT = Path(__file__).parents[2]


def covers(topic_filter: str, topic: str) -> bool:
    """MQTT 5, section 4.7: `+` is one level, `#` the rest and the level above it; here no topic begins with `$`."""
    wanted, said = topic_filter.split("/"), topic.split("/")
    for index, part in enumerate(wanted):
        if part == "#":
            return True
        if index >= len(said) or part not in ("+", said[index]):
            return False
    return len(wanted) == len(said)


def may(account: BrokerAccount, right: str, topic: str) -> bool:
    return any(covers(one, topic) for one in (account.writes if right == "write" else account.reads))


def account(name: str) -> BrokerAccount:
    return next(one for one in accounts_for(SITES) if one.name == name)


def test_every_site_has_its_own_accounts_and_the_page_one() -> None:
    names = [one.name for one in accounts_for(SITES)]
    assert sorted(names) == sorted(
        ["watch", *(f"{role}-{site}" for role in ("controller", "act", "look") for site in ("riverside", "hillside"))]
    )


def test_the_controller_may_publish_every_topic_of_its_own_tree_and_hear_every_set() -> None:
    own = accounts_for([SiteTopics(SITE.id, SITE.mqtt.domain)])[0]
    tree = DeviceTree(SITE)
    said = [
        tree.state_topic,
        tree.board_state_topic,
        *tree.descriptions(),
        f"{tree.root}/$alert/frost",
        f"{tree.root}/$log/warn",
    ]
    said += [f"{tree.root}/zone-bench/schedule", f"{tree.root}/zone-bench/run/$target"]
    for topic in said:
        assert may(own, "write", topic), topic
    for topic in tree.set_topics():
        assert may(own, "read", topic), topic
        assert not may(own, "write", topic), topic


RIGHTS = {
    # topic: who may write it, who may read it
    "homie/5/riverside/$state": ("controller-riverside", "watch act-riverside look-riverside"),
    "homie/5/riverside/$alert/frost": (
        "controller-riverside",
        "controller-riverside watch act-riverside look-riverside",
    ),
    "homie/5/riverside/tank-butts/volume": ("controller-riverside", "watch act-riverside look-riverside"),
    "homie/5/riverside-board/link/up": ("controller-riverside", "watch act-riverside look-riverside"),
    "homie/5/riverside/zone-bench/run/set": ("act-riverside", "controller-riverside"),
    "homie/5/riverside/zone-bench/run/$target": ("controller-riverside", "watch act-riverside look-riverside"),
    "homie-log/riverside/senml": ("controller-riverside", "watch"),
    "homie-log/riverside/answer": ("controller-riverside", "watch act-riverside"),
    "homie-log/riverside/answer/phone": ("controller-riverside", "watch act-riverside"),
    "homie-log/riverside/order": ("watch act-riverside", "controller-riverside"),
    "homie-log/riverside/ask": ("watch act-riverside", "controller-riverside"),
    "homie-log/riverside/refill": ("watch", "controller-riverside"),
    "garden/5/hillside/site/mode/set": ("act-hillside", "controller-hillside"),
    "garden-log/hillside/order": ("watch act-hillside", "controller-hillside"),
    "homie/5/hillside/site/mode/set": ("", ""),
    "homie/5/riverside2/$state": ("", ""),
    "homie-log/elsewhere/order": ("", ""),
    "$SYS/broker/clients/connected": ("", ""),
    "lights/hall/set": ("", ""),
}


@pytest.mark.parametrize("topic", RIGHTS)
def test_everybody_may_do_what_they_must_and_nothing_more(topic: str) -> None:
    writers, readers = RIGHTS[topic]
    everybody = accounts_for(SITES)
    assert {one.name for one in everybody if may(one, "write", topic)} == set(writers.split())
    assert {one.name for one in everybody if may(one, "read", topic)} == set(readers.split())


def test_no_filter_is_wider_than_a_site() -> None:
    for one in accounts_for(SITES):
        for topic in (*one.reads, *one.writes):
            assert re.fullmatch(r"[a-z]+/5/(riverside|hillside)(-board)?/.+|[a-z]+-log/(riverside|hillside)/.+", topic)


def test_the_access_file_has_one_rule_a_line_under_its_user() -> None:
    text = access_text(accounts_for(SITES[:1]))
    blocks = [block.splitlines() for block in text.split("\n\n")[1:]]
    assert [block[0] for block in blocks] == [f"user {one.name}" for one in accounts_for(SITES[:1])]
    for block in blocks:
        for line in block[1:]:
            assert re.fullmatch(r"topic (read|write) \S+", line)


def test_a_password_is_kept_as_mosquitto_keeps_it() -> None:
    # The line `mosquitto_passwd -b FILE a secret` of version 2.0.11 wrote, but for the number of rounds.
    salt = base64.b64decode("ErJD3hipP04aWh9Q")
    name, rest = password_line("a", "secret", salt).rstrip("\n").split(":")
    _, kind, rounds, kept_salt, key = rest.split("$")
    assert (name, kind, kept_salt) == ("a", "7", "ErJD3hipP04aWh9Q")
    assert base64.b64decode(key) == hashlib.pbkdf2_hmac("sha512", b"secret", salt, int(rounds))
    theirs = "nOgEODfsvBEC5Ea1TV29r5mWv9dYPvMjMSw2i2qbo2abvWlqsI8t7llEt8wicx8kxICwdXxNAbqQACHNVEN+/w=="
    assert base64.b64encode(hashlib.pbkdf2_hmac("sha512", b"secret", salt, 101)).decode() == theirs


def test_without_a_certificate_nothing_listens_beyond_this_machine() -> None:
    text = config_text("/etc/mosquitto/pumphouse", 1883, None)
    assert re.findall(r"^listener .*$", text, re.MULTILINE) == ["listener 1883 127.0.0.1"]
    assert "allow_anonymous false" in text


def test_with_one_there_is_a_second_way_in_over_tls() -> None:
    text = config_text("/etc/mosquitto/pumphouse", 1883, Listener("/c.pem", "/k.pem"))
    second = text.partition("listener 8883")[2]
    assert "certfile /c.pem\nkeyfile /k.pem\ntls_version tlsv1.2" in second


# --- the command ---


@pytest.fixture
def site(tmp_path: Path) -> Path:
    file = tmp_path / "site.toml"
    file.write_text(example_site_text(), encoding="utf-8")
    return file


def command(*words: object) -> int:
    parser = argparse.ArgumentParser()
    broker_config.add_arguments(parser)
    return broker_config.run(parser.parse_args([str(word) for word in words]))


def test_the_files_are_written_for_their_owners_eyes_and_no_password_stands_in_them(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "broker"
    assert command("--site", site, "--out", out) == 0
    texts = "".join((out / name).read_text(encoding="utf-8") for name in broker_config.FILES)
    secrets = list((out / "secrets").iterdir())
    assert len(secrets) == 4
    for file in secrets:
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        assert len(file.read_text().strip()) >= 26
        assert file.read_text().strip() not in texts
    assert stat.S_IMODE((out / "pumphouse.passwd").stat().st_mode) == 0o600
    assert stat.S_IMODE((out / "secrets").stat().st_mode) == 0o700


def test_what_is_there_is_not_written_over_unless_told_and_passwords_stay(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "broker"
    command("--site", site, "--out", out)
    secret = out / "secrets" / "watch"
    before = secret.read_text()
    with pytest.raises(ConfigurationError, match="--force"):
        command("--site", site, "--out", out)
    command("--site", site, "--out", out, "--force")
    assert secret.read_text() == before
    command("--site", site, "--out", out, "--force", "--new-passwords")
    assert secret.read_text() != before
    assert before.strip() not in capsys.readouterr().out


def test_a_secret_that_was_thrown_away_stays_the_password(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "broker"
    command("--site", site, "--out", out)
    secret = next((out / "secrets").glob("act-*"))
    before = [line for line in (out / "pumphouse.passwd").read_text().splitlines() if line.startswith(secret.name)]
    secret.unlink()
    command("--site", site, "--out", out, "--force")
    assert not secret.exists()
    assert before[0] in (out / "pumphouse.passwd").read_text().splitlines()
    command("--site", site, "--out", out, "--force", "--new-passwords")
    assert secret.exists()


def test_it_says_what_to_do_next(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command("--site", site, "--out", tmp_path / "broker")
    said = capsys.readouterr().out
    assert f"ln -sf {tmp_path}/broker/pumphouse.conf /etc/mosquitto/conf.d/" in said
    assert "restart mosquitto" in said
    assert 'username = "controller-' in said
    assert "--user watch --password-file" in said


def test_the_broker_listens_where_the_site_file_says(site: Path, tmp_path: Path) -> None:
    site.write_text(site.read_text().replace("port = 1883", "port = 1899"))
    command("--site", site, "--out", tmp_path / "broker")
    assert "listener 1899 127.0.0.1" in (tmp_path / "broker" / "pumphouse.conf").read_text()


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--tls-cert", "c.pem"), "go together"),
        (("--tls-cert", "/none.pem", "--tls-key", "/none.pem"), "no such file"),
        (("--port", "0"), "1 to 65535"),
        (("--new-passwords",), "--force"),
        (("--out", "a b"), "spaces"),
    ],
)
def test_arguments_that_do_not_fit_are_refused_with_the_cure(site: Path, words: tuple[str, ...], why: str) -> None:
    with pytest.raises(ConfigurationError, match=why):
        command("--site", site, *words)


def test_two_sites_of_one_id_are_refused(site: Path, tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="same id"):
        command("--site", site, "--site", site, "--out", tmp_path / "broker")


def test_a_place_that_cannot_be_written_is_told_with_the_cure(site: Path, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OperatingError, match="--out"):
        command("--site", site, "--out", tmp_path / "file")
