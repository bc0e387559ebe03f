"""The unit for systemd and the scripts that are handed out hold against the programs they are for."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from service.settings import load

ROOT = Path(__file__).parents[2]
UNIT = (ROOT / "deploy/earlybell.service").read_text(encoding="utf-8")
MOST_EXPOSED = 20
"""Tenths, of 100; systemd itself calls up to 49 "OK"."""


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit with this Python for the installed program, and with all that is commented out in it."""
    path = tmp_path / "earlybell.service"
    text = re.sub(r"^#(?=[A-Z]\w+=)", "", UNIT, flags=re.MULTILINE)
    path.write_text(text.replace("/opt/earlybell/bin/earlybell", sys.executable), encoding="utf-8")
    return path


def analyze(*words: str) -> None:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd isn't installed here: nothing judges its unit")
    done = subprocess.run([program, *words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr


def test_systemd_finds_nothing_wrong_with_its_unit(unit: Path) -> None:
    analyze("verify", str(unit))


def test_systemd_finds_the_service_confined(unit: Path) -> None:
    analyze("security", "--offline=true", f"--threshold={MOST_EXPOSED}", "--no-pager", str(unit))


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
