"""The units for systemd and the scripts that are handed out hold against the programs they are for."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from service.commands import make_parser
from service.settings import load

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
UNITS = [DEPLOY / f"earlybell{name}" for name in (".service", "-backup.service", "-backup.timer")]
UNIT = UNITS[0].read_text(encoding="utf-8")
MOST_EXPOSED = 20
"""Tenths, of 100; systemd itself calls up to 49 "OK"."""


@pytest.fixture
def units(tmp_path: Path) -> list[Path]:
    """The units with this Python for the installed program, and with all that is commented out in them but
    the unit of others that hears of failures."""
    for unit in UNITS:
        text = re.sub(r"^#(?=[A-Z]\w+=)(?!OnFailure)", "", unit.read_text("utf-8"), flags=re.MULTILINE)
        text = text.replace("/opt/earlybell/bin/earlybell", sys.executable)
        (tmp_path / unit.name).write_text(text, encoding="utf-8")
    return [tmp_path / unit.name for unit in UNITS]


def analyze(*words: str) -> None:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd isn't installed here: nothing judges its unit")
    done = subprocess.run([program, *words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr


def test_systemd_finds_nothing_wrong_with_its_units(units: list[Path]) -> None:
    analyze("verify", *map(str, units))


def test_systemd_finds_the_service_confined(units: list[Path]) -> None:
    analyze("security", "--offline=true", f"--threshold={MOST_EXPOSED}", "--no-pager", str(units[0]))


def test_the_program_understands_what_the_units_call_it_with() -> None:
    called = re.findall(r"Exec\w+=/opt/earlybell/bin/earlybell (.+)", "".join(u.read_text() for u in UNITS))
    commands = [make_parser().parse_args(words.split()).command for words in called]
    assert commands == ["run", "upgrade-store", "backup"]


def test_the_unit_hands_over_secrets_that_the_program_asks_for(tmp_path: Path) -> None:
    handed = dict(re.findall(r"^#LoadCredential=(\w+):(\S+)$", UNIT, flags=re.MULTILINE))
    asked = dict(re.findall(r"^#Environment=(EARLYBELL_\w+_FILE)=%d/(\w+)$", UNIT, flags=re.MULTILINE))
    assert set(handed) == set(asked.values())
    for name in handed:
        (tmp_path / name).write_text("sqlite:///here.db\n")
    given = {variable: str(tmp_path / name) for variable, name in asked.items()}
    assert load(None, given | {"EARLYBELL_MQTT__USERNAME": "earlybell"}).store.url.get_secret_value()


def test_the_unit_gives_the_service_as_long_to_stop_as_a_container() -> None:
    compose = (ROOT / "deploy/docker-compose.yml").read_text(encoding="utf-8")
    assert "TimeoutStopSec=20\n" in UNIT
    assert "stop_grace_period: 20s\n" in compose


@pytest.mark.parametrize("script", ["deploy/prepare", "deploy/broker.sh", "scripts/base-images"])
def test_the_shell_understands_each_script(script: str) -> None:
    shell = (ROOT / script).read_text(encoding="utf-8").split("\n", 1)[0].rsplit("/", 1)[-1].split()[-1]
    subprocess.run([shell, "-n", str(ROOT / script)], check=True)
